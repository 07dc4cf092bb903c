"""Frames onto the model's grid and back, and the checks that weights go through."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layermotion.errors import InputError, WeightsError
from layermotion.geometry import ImageArea, Spacing
from layermotion.network.grid import ModelGrid, input_shape
from layermotion.network.segmenter import load_segmenter, read_card, weights_names

# Unequal, so that a swap of rows and columns cannot hide.
SPACING = Spacing(row_mm=0.08, column_mm=0.11, source="test")

areas = st.builds(
    ImageArea,
    top=st.integers(0, 80),
    left=st.integers(0, 80),
    height=st.integers(64, 900),
    width=st.integers(64, 900),
)


@given(area=areas, spacing=st.sampled_from([SPACING, None]), size_px=st.sampled_from([64, 320]))
def test_positions_survive_the_way_there_and_back(
    area: ImageArea, spacing: Spacing | None, size_px: int
) -> None:
    grid = ModelGrid.for_area(area, spacing, size_px)
    positions = np.linspace(-5, 900, 50)
    np.testing.assert_allclose(grid.row_to_frame(grid.row_to_model(positions)), positions)
    np.testing.assert_allclose(grid.column_to_frame(grid.column_to_model(positions)), positions)
    # The outer borders of the tissue on the model are the outer borders of the area.
    assert grid.row_to_frame(grid.top - 0.5) == pytest.approx(area.top - 0.5)
    assert grid.row_to_frame(grid.top + grid.rows - 0.5) == pytest.approx(
        area.top + area.height - 0.5
    )
    assert grid.column_to_frame(grid.left - 0.5) == pytest.approx(area.left - 0.5)


@given(area=areas)
def test_model_pixels_are_twice_as_wide_as_high_in_mm(area: ImageArea) -> None:
    grid = ModelGrid.for_area(area, SPACING, 320)
    assert max(grid.rows, 2 * grid.columns) == 320
    assert grid.mm_per_pixel is not None
    for mm, count in (
        (grid.row_step * SPACING.row_mm, grid.rows),
        (grid.column_step * SPACING.column_mm / 2, grid.columns),
    ):
        # Whole pixels: half a pixel in ``count`` at most.
        assert mm == pytest.approx(grid.mm_per_pixel, rel=0.5 / (count - 0.5))


def test_unknown_spacing_counts_as_square_and_gives_no_mm() -> None:
    grid = ModelGrid.for_area(ImageArea(5, 7, 300, 600), None, 320)
    assert (grid.rows, grid.columns, grid.mm_per_pixel) == (160, 160, None)
    doubled = Spacing(row_mm=0.16, column_mm=0.22, source="test")
    fine = ModelGrid.for_area(ImageArea(5, 7, 300, 600), SPACING, 320)
    coarse = ModelGrid.for_area(ImageArea(5, 7, 300, 600), doubled, 320)
    assert fine.mm_per_pixel is not None
    assert coarse.mm_per_pixel == pytest.approx(2 * fine.mm_per_pixel)
    assert coarse.rows == fine.rows


@pytest.mark.parametrize("size_px", [320, 800])
@pytest.mark.parametrize("line_px", [81.0, 200.3, 411.75])
def test_a_bright_line_comes_back_where_it_was_drawn(line_px: float, size_px: int) -> None:
    area = ImageArea(top=40, left=60, height=480, width=620)
    grid = ModelGrid.for_area(area, SPACING, size_px)
    # A bell of 2.5 px, so that its centre is known to a fraction of a pixel.
    along = 250 * np.exp(-(((np.arange(800) - line_px) / 2.5) ** 2) / 2)
    lying = np.repeat(along[:600, None], 800, axis=1).round().astype(np.uint8)
    standing = np.repeat(along[None], 600, axis=0).round().astype(np.uint8)
    rows, columns = (np.arange(count) for count in grid.shape)
    row = float(np.average(rows, weights=grid.to_model(lying).astype(float).sum(1)))
    column = float(np.average(columns, weights=grid.to_model(standing).astype(float).sum(0)))
    assert grid.row_to_frame(row) == pytest.approx(line_px, abs=0.1)
    assert grid.column_to_frame(column) == pytest.approx(line_px, abs=0.1)


def test_outside_the_area_nothing_shows_and_padding_is_black() -> None:
    area = ImageArea(top=100, left=50, height=200, width=400)
    frame = np.full((600, 800), 255, np.uint8)
    frame[area.slices] = 90
    grid = ModelGrid.for_area(area, SPACING, 320)
    image = grid.to_model(frame)
    assert image.shape == (320, 160)
    assert set(np.unique(image[grid.slices])) == {90}
    image[grid.slices] = 0
    assert not image.any()


def test_segmenting_loads_no_training_package() -> None:
    names = "{name.split('.')[0] for name in sys.modules}"
    code = f"import sys, layermotion.network.segmenter; print(*{names})"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "onnxruntime" in loaded
    assert not set(loaded) & {"torch", "hydra", "mlflow", "albumentations", "layermotion_synthetic"}


def test_weights_run_on_bytes_and_floats_alike(trained_weights: Path) -> None:
    segmenter = load_segmenter(folder=trained_weights, threads=1)
    shape = input_shape(segmenter.size_px)
    images = np.random.default_rng(1).integers(0, 256, (3, *shape)).astype(np.uint8)
    probabilities, view = segmenter.run(images)
    assert probabilities.shape == (3, 6, *shape) and probabilities.dtype == np.float32
    assert view.shape == (3, 3)
    np.testing.assert_allclose(probabilities.sum(1), 1, atol=1e-5)
    np.testing.assert_allclose(view.sum(1), 1, atol=1e-5)
    np.testing.assert_array_equal(segmenter.run(images.astype(np.float32))[0], probabilities)
    alone, _ = segmenter.run(images[1:2])
    np.testing.assert_allclose(alone[0], probabilities[1], atol=1e-5)
    with pytest.raises(InputError, match=rf"give \(N, {shape[0]}, {shape[1]}\)"):
        segmenter.run(images[:, :-1])


def test_altered_weights_are_refused(trained_weights: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(trained_weights, tmp_path / "weights")
    path = folder / "smoke-001.onnx"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    with pytest.raises(WeightsError, match="checksum"):
        load_segmenter(folder=folder)


def test_another_class_order_is_refused(trained_weights: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(trained_weights, tmp_path / "weights")
    card = read_card("smoke-001", folder)
    card["classes"][1], card["classes"][2] = card["classes"][2], card["classes"][1]
    (folder / "smoke-001.json").write_text(json.dumps(card))
    with pytest.raises(WeightsError, match="have the classes background, eo, fat"):
        load_segmenter(folder=folder)


@pytest.mark.parametrize("content", ["", "[1]", "{}", '{"sha256": 1}'])
def test_an_unusable_card_is_refused(trained_weights: Path, tmp_path: Path, content: str) -> None:
    folder = shutil.copytree(trained_weights, tmp_path / "weights")
    (folder / "smoke-001.json").write_text(content)
    with pytest.raises(WeightsError, match="smoke-001.json"):
        load_segmenter(folder=folder)


def test_the_highest_number_is_the_newest(tmp_path: Path) -> None:
    for name in ("wall-002", "layers-010", "layers-001", "notes"):
        (tmp_path / f"{name}.onnx").touch()
    assert weights_names(tmp_path) == ["layers-001", "wall-002", "layers-010"]
    with pytest.raises(WeightsError, match="no weights called layers-004; choose from layers-001"):
        load_segmenter("layers-004", folder=tmp_path)
    with pytest.raises(WeightsError, match="no weights called ../layers-001"):
        load_segmenter("../layers-001", folder=tmp_path)
    with pytest.raises(WeightsError, match="holds no weights"):
        load_segmenter(folder=tmp_path / "empty")
