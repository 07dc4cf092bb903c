"""A second look: what it leaves alone, what it withholds, and where its edges lie."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from standin import AREA, SPACING, draw_frames, truth_segmenter, wall_labels, write_dicom

from layermotion.analysis import footage
from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip import Frame
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.edges.boundaries import Boundaries
from layermotion.edges.recording import Recording
from layermotion.edges.second_look import CUT_BELOW, EVERY, cut_below, look_again
from layermotion.edges.site import parse_site
from layermotion.labels import View
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import Segmenter
from layermotion.series.disputed import withhold_disputed
from layermotion.series.series import Quantity

GRID = ModelGrid.for_area(AREA, SPACING, 320)


def thickness(values: list[float]) -> Quantity:
    value = np.array(values)
    return Quantity("thickness", "fat", "mm", value, np.where(np.isnan(value), 0.0, 0.9))


def test_values_near_a_disputed_look_are_withheld_and_the_others_kept() -> None:
    first = thickness([5.0] * 12)
    kept, cautions = withhold_disputed(first, thickness([5.2, 8.0, 4.9]), [0, 5, 10], 0.5)
    assert np.flatnonzero(np.isnan(kept.value)).tolist() == [3, 4, 5, 6, 7]
    np.testing.assert_array_equal(kept.confidence == 0, np.isnan(kept.value))
    (sentence,) = cautions
    assert sentence.startswith("The borders of the subcutaneous fat are not sure in 5 of 12 frames")


@pytest.mark.parametrize("again", [[5.4, 4.6], [float("nan")] * 2, [float("nan"), 5.0]])
def test_looks_that_agree_or_show_nothing_change_nothing(again: list[float]) -> None:
    first = thickness([5.0] * 8)
    kept, cautions = withhold_disputed(first, thickness(again), [0, 4], 0.5)
    assert kept is first and cautions == ()


def test_a_missing_value_is_not_counted_as_disputed() -> None:
    first = thickness([5.0, float("nan"), 5.0, 5.0])
    kept, (sentence,) = withhold_disputed(first, thickness([9.0]), [0], 0.5)
    assert np.isnan(kept.value).all() and "in 3 of 4 frames" in sentence
    assert withhold_disputed(first, thickness([9.0]), [1], 0.5)[0] is first


def slanting(shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Labels that no mirror leaves as they are."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    depth = rows - 0.15 * columns
    labels = np.zeros(shape, np.uint8)
    for value, (top, bottom) in enumerate(((30, 70), (80, 115), (122, 160), (168, 200)), start=1):
        labels[(depth >= top) & (depth < bottom)] = value
    return labels


def test_edges_of_the_second_look_lie_where_the_frame_shows_them() -> None:
    truth = replace(
        truth_segmenter(wall_labels, np.zeros(1), View.ABDOMINAL_WALL),
        labels=(slanting((AREA.height, AREA.width)),),
    )
    segmenter: Segmenter = truth  # type: ignore[assignment]
    frame = Frame(0, 0.0, draw_frames(1)[0])
    edges = look_again(frame, segmenter, GRID, SPACING)
    column = edges.column_px[np.abs(edges.column_px - 60).argmin()]
    place = int(np.flatnonzero(edges.column_px == column)[0])
    for layer, top in enumerate((30, 80, 122, 168)):
        expected = top + 0.15 * column - 0.5
        assert edges.superficial_px[layer, place] == pytest.approx(expected, abs=2.5)
    assert cut_below(GRID, SPACING).area.height == round((1 - CUT_BELOW) * AREA.height)


def test_a_layer_found_elsewhere_is_not_measured_and_the_report_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    count = 3 * EVERY
    path = write_dicom(tmp_path / "clip.dcm", draw_frames(count))
    segmenter = truth_segmenter(wall_labels, np.full(count, 50.0), View.ABDOMINAL_WALL)
    clip = open_clip(path, SourceOptions(mm_per_pixel=(SPACING.row_mm, SPACING.column_mm)))
    looked: list[int] = []

    def other_fat(frame: Frame, *rest: object) -> Boundaries:
        looked.append(frame.index)
        edges = look_again(frame, *rest)  # type: ignore[arg-type]
        deep = edges.deep_px.copy()
        deep[0] -= 15  # 1.2 mm
        return replace(edges, deep_px=deep)

    def measured() -> Analysis:
        with Recording() as recording:
            return analyse(clip, segmenter, parse_site("muscle-centre"), recording)  # type: ignore[arg-type]

    plain = measured()
    monkeypatch.setattr(footage, "look_again", other_fat)
    found = measured()
    assert sorted(looked) == [0, EVERY, 2 * EVERY]
    for name in ("fat", "eo", "io", "tra"):
        before, after = (a.series.get("thickness", name) for a in (plain, found))
        assert before is not None and after is not None and not np.isnan(before.value).any()
        assert np.isnan(after.value).all() == (name == "fat")
    new = set(found.cautions) - set(plain.cautions)
    assert len(new) == 1 and "subcutaneous fat" in new.pop()
