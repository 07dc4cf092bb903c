"""Metrics: values a reader can check by hand, and agreement with an independent library."""

import math

import numpy as np
import pytest
import torch
from monai.metrics import compute_average_surface_distance, compute_hausdorff_distance
from monai.metrics.meandice import compute_dice
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from layermotion.errors import InputError
from layermotion.lab.metrics import score_mask

ROW_MM, COLUMN_MM = 0.08, 0.11
SIZE = {"row_mm": ROW_MM, "column_mm": COLUMN_MM}


def blobs(rng: np.random.Generator) -> NDArray[np.bool_]:
    """Draw a mask of rough pieces, some of which touch the border."""
    field = gaussian_filter(rng.normal(size=(60, 80)), 4)
    return np.asarray(field > np.quantile(field, rng.uniform(0.5, 0.9)))


@pytest.mark.parametrize("seed", range(20))
def test_metrics_agree_with_monai(seed: int) -> None:
    rng = np.random.default_rng(seed)
    found, truth = blobs(rng), blobs(rng)
    score = score_mask(found, truth, **SIZE)
    pair = [torch.from_numpy(mask[None, None].astype(np.float32)) for mask in (found, truth)]
    options = {"include_background": True, "spacing": [ROW_MM, COLUMN_MM]}
    hausdorff = compute_hausdorff_distance(*pair, percentile=95, **options)
    surface = compute_average_surface_distance(*pair, symmetric=True, **options)
    assert score.dice == pytest.approx(compute_dice(*pair).item(), abs=1e-6)
    assert score.hausdorff_95_mm == pytest.approx(hausdorff.item(), abs=1e-6)
    assert score.surface_distance_mm == pytest.approx(surface.item(), abs=1e-6)


def test_a_shift_in_depth_and_one_across_are_told_apart() -> None:
    mask = np.zeros((40, 40), bool)
    mask[10:20, 10:30] = True
    down, across = np.roll(mask, 2, axis=0), np.roll(mask, 2, axis=1)
    by_depth, by_width = score_mask(mask, down, **SIZE), score_mask(mask, across, **SIZE)
    assert by_depth.hausdorff_95_mm == pytest.approx(2 * ROW_MM)
    assert by_width.hausdorff_95_mm == pytest.approx(2 * COLUMN_MM)
    assert (by_depth.dice, by_width.dice) == pytest.approx((0.8, 0.9))
    doubled = score_mask(mask, down, row_mm=0.16, column_mm=0.22)
    assert doubled.surface_distance_mm == pytest.approx(2 * by_depth.surface_distance_mm)


def test_finding_nothing_is_not_perfect() -> None:
    truth = np.zeros((9, 9), bool)
    with pytest.raises(InputError, match="empty truth"):
        score_mask(truth, truth, **SIZE)
    truth[3:6, 3:6] = True
    score = score_mask(np.zeros_like(truth), truth, **SIZE)
    assert score.dice == 0
    assert math.isnan(score.hausdorff_95_mm) and math.isnan(score.surface_distance_mm)
    same = score_mask(truth, truth, **SIZE)
    assert (same.dice, same.hausdorff_95_mm, same.surface_distance_mm) == (1.0, 0.0, 0.0)
