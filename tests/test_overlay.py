"""Tests of the overlay: edges at their sub-pixel place, and a video that keeps its times."""

from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image
from report_content import (
    FRAMES,
    GAP,
    SHAPE,
    WINDOWS,
    make_boundaries,
    make_frames,
    make_series,
)

from layermotion.edges.boundaries import Boundaries
from layermotion.errors import InputError
from layermotion.images import write_png
from layermotion.labels import STRUCTURES, Structure
from layermotion.report import overlay
from layermotion.report.arrows import Arrow
from layermotion.report.overlay import OverlayWriter, draw_overlay
from layermotion.report.palette import LOOKS
from layermotion.report.strip import Caption, caption_of

CAPTION = Caption(1.25, "rest", ((Structure.TRA, 4.0, "mm"),))
BLACK = np.zeros((141, 600), np.uint8)


def edge_light(row_px: float) -> np.ndarray:
    """Light that an edge of TrA at one row adds to each row of a black image."""
    boundaries = make_boundaries(row_px, np.nan)
    image = draw_overlay(BLACK, boundaries, CAPTION, site_column_px=None)
    return image[: BLACK.shape[0], 100].astype(float).sum(axis=1)


@pytest.mark.parametrize("row_px", [40.0, 40.25, 40.5, 40.75, 97.3])
def test_outline_lies_at_the_edge_to_a_fraction_of_a_pixel(row_px: float) -> None:
    light = edge_light(row_px)
    centre = (light * np.arange(light.size)).sum() / light.sum()
    # Measured 0.04; 1/16 pixel rounding and 8 bits of shade allow no less.
    assert centre == pytest.approx(row_px, abs=0.1)


def test_outline_lies_at_its_columns_and_not_transposed() -> None:
    column_px = np.arange(300, 500, dtype=np.float32)
    edges = np.full((len(STRUCTURES), column_px.size), np.nan, np.float32)
    edges[3] = 60.0
    boundaries = Boundaries(column_px, edges, np.full_like(edges, np.nan), np.ones_like(edges))
    image = draw_overlay(BLACK, boundaries, CAPTION, site_column_px=None)
    rows, columns = np.nonzero(image[: BLACK.shape[0]].any(axis=2))
    assert set(rows.tolist()) <= {59, 60, 61}
    assert abs(int(columns.min()) - 300) <= 1 and abs(int(columns.max()) - 499) <= 1
    # A smooth line spreads its light over rows and keeps its hue.
    hue = image[59:62, 400].astype(float).sum(axis=0)
    wanted = np.array(LOOKS[Structure.TRA].image_rgb)
    np.testing.assert_allclose(hue / hue.max(), wanted / wanted.max(), atol=0.02)


def test_outline_is_cut_where_the_edge_is_missing() -> None:
    whole = make_boundaries(40.0, np.nan)
    edge = whole.superficial_px.copy()
    edge[3, 50:80] = np.nan  # columns 70 to 99
    cut = Boundaries(whole.column_px.copy(), edge, whole.deep_px.copy(), whole.confidence.copy())
    image = draw_overlay(BLACK, cut, CAPTION, site_column_px=None)
    assert not image[:100, 72:98].any()
    assert not image[:38].any() and not image[43 : BLACK.shape[0]].any()
    assert image[40, 60].any() and image[40, 110].any()


def test_image_is_padded_to_even_sizes_and_tissue_is_untouched() -> None:
    pixels = next(make_frames()).pixels
    image = draw_overlay(pixels, None, CAPTION, site_column_px=None)
    assert image.shape[0] % 2 == 0 and image.shape[1] % 2 == 0
    left = (image.shape[1] - SHAPE[1]) // 2
    tissue = image[: SHAPE[0], left : left + SHAPE[1]]
    np.testing.assert_array_equal(tissue, np.repeat(pixels[..., None], 3, axis=2))


def test_site_is_marked_at_its_column() -> None:
    plain = draw_overlay(BLACK, make_boundaries(), CAPTION, site_column_px=None).copy()
    marked = draw_overlay(BLACK, make_boundaries(), CAPTION, site_column_px=150.0)
    columns = np.nonzero((plain != marked).any(axis=(0, 2)))[0]
    assert columns.mean() == pytest.approx(150, abs=0.6)


def test_caption_gives_state_and_says_when_nothing_can_be_measured() -> None:
    series = make_series()
    assert caption_of(series, WINDOWS, 2).state == "rest"
    assert caption_of(series, WINDOWS, 30).state == "contracted"
    assert caption_of(series, WINDOWS, 31).state == "in between"
    missing = caption_of(series, WINDOWS, GAP.start)
    assert missing.state == "not measurable"
    assert [structure for structure, _, _ in missing.values] == ["eo", "io", "tra"]


def test_strip_shows_value_state_and_time() -> None:
    def strip(caption: Caption) -> np.ndarray:
        return draw_overlay(BLACK, None, caption, site_column_px=None)[BLACK.shape[0] :].copy()

    plain = strip(CAPTION)
    for other in (
        Caption(1.25, "rest", ((Structure.TRA, 4.1, "mm"),)),
        Caption(1.25, "contracted", ((Structure.TRA, 4.0, "mm"),)),
        Caption(1.26, "rest", ((Structure.TRA, 4.0, "mm"),)),
        Caption(1.25, "rest", ((Structure.TRA, np.nan, "mm"),)),
    ):
        assert (strip(other) != plain).any()


def test_video_decodes_with_every_frame_at_its_time(tmp_path: Path) -> None:
    target = tmp_path / "overlay.mp4"
    series = make_series()
    with OverlayWriter(target, SHAPE, series, WINDOWS) as writer:
        for frame in make_frames():
            writer.write(frame, make_boundaries(), site_column_px=120.0)
        assert not target.exists()
    with av.open(str(target)) as container:
        frames = list(container.decode(video=0))
        codec = container.streams.video[0].codec_context
        assert (codec.name, codec.pix_fmt) == ("h264", "yuv420p")
    times = np.array([float(frame.time) for frame in frames])
    np.testing.assert_allclose(times, series.time_s - series.time_s[0], atol=1e-4)
    last = frames[-1].to_ndarray(format="rgb24")
    left = (last.shape[1] - SHAPE[1]) // 2
    at_edge, beside = last[71, left + 60], last[100, left + 60]
    # The TrA line is light and pinkish; the noise is below 90.
    assert at_edge.mean() > 120 > 110 > beside.mean()
    assert [path.name for path in tmp_path.iterdir()] == ["overlay.mp4"]
    assert len(frames) == FRAMES


def test_video_shows_the_words_of_each_frame(tmp_path: Path) -> None:
    # The same picture all along, so that only the strip can differ: rest, contracted, no value.
    target = tmp_path / "overlay.mp4"
    pixels = np.full(SHAPE, 60, np.uint8)
    with OverlayWriter(target, SHAPE, make_series(), WINDOWS) as writer:
        for frame in make_frames():
            writer.write(replace(frame, pixels=pixels), None, site_column_px=None)
    with av.open(str(target)) as container:
        shown = [f.to_ndarray(format="gray").astype(int) for f in container.decode(video=0)]
    rest, full, gap = (shown[index] for index in (5, 25, GAP.start + 1))
    for one, other in ((rest, full), (full, gap), (rest, gap)):
        assert np.abs(one[: SHAPE[0]] - other[: SHAPE[0]]).max() < 20
        assert np.count_nonzero(np.abs(one - other)[SHAPE[0] :] > 100) > 50


def test_video_is_playable_from_its_start(tmp_path: Path) -> None:
    target = tmp_path / "overlay.mp4"
    with OverlayWriter(target, SHAPE, make_series()) as writer:
        writer.write(next(make_frames()), None, site_column_px=None)
    content = target.read_bytes()
    assert 0 < content.index(b"moov") < content.index(b"mdat")


def test_nothing_is_left_when_writing_fails(tmp_path: Path) -> None:
    with (
        pytest.raises(RuntimeError, match="stopped"),
        OverlayWriter(tmp_path / "overlay.mp4", SHAPE, make_series()) as writer,
    ):
        writer.write(next(make_frames()), None, site_column_px=None)
        raise RuntimeError("stopped")
    assert list(tmp_path.iterdir()) == []


def test_video_without_frames_is_refused(tmp_path: Path) -> None:
    with (
        pytest.raises(InputError, match="without a frame"),
        OverlayWriter(tmp_path / "overlay.mp4", SHAPE, make_series()),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_missing_encoder_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(overlay, "ENCODER", "no_such_encoder")
    with (
        pytest.raises(InputError, match="no no_such_encoder encoder"),
        OverlayWriter(tmp_path / "overlay.mp4", SHAPE, make_series()),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_still_is_written_as_png(tmp_path: Path) -> None:
    image = draw_overlay(BLACK, make_boundaries(), CAPTION, site_column_px=None)
    write_png(tmp_path / "overlay.png", image)
    np.testing.assert_array_equal(np.asarray(Image.open(tmp_path / "overlay.png")), image)


def test_arrow_leads_from_rest_to_now_in_the_colour_of_its_muscle() -> None:
    arrow = Arrow(Structure.TRA, 300.0, 70.0, 240.0, 70.0)
    image = draw_overlay(BLACK, None, CAPTION, site_column_px=None, arrows=[arrow])
    # The rim is dark, the arrow light.
    rows, columns = np.nonzero(image[: BLACK.shape[0]].max(axis=2) > 120)
    # Anti-aliased ends reach a little less far; the ring at rest a little farther.
    assert columns.min() == pytest.approx(240, abs=2) and columns.max() == pytest.approx(303, abs=2)
    # The head is at the place now: the widest part lies there.
    assert np.ptp(rows[columns < 250]) > np.ptp(rows[(columns > 255) & (columns < 290)])
    assert (image[: BLACK.shape[0]] == LOOKS[Structure.TRA].image_rgb).all(axis=2).any()
    bare = draw_overlay(BLACK, None, CAPTION, site_column_px=None)
    assert not bare[: BLACK.shape[0]].any()
