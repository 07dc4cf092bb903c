"""How large an error is said to be: it grows as confidence falls, and each measure has its own."""

import math
from typing import Any

import numpy as np
import pytest

from layermotion.evaluation.clips import (
    CALIBRATION_FIRST,
    SMALLEST_LEVEL_PX,
    calibration_numbers,
    error_model,
)
from layermotion.network.segmenter import Segmenter
from layermotion.normal import Z95


def test_error_grows_as_confidence_falls() -> None:
    session: Any = None  # nothing is segmented
    errors_px = {"thickness_tra": (0.8, 3.0), "base_displacement": (1.5, 0.0)}
    segmenter = Segmenter("none-001", "0" * 64, 320, (0.05, 1.0), errors_px, session)
    assert segmenter.error_px("thickness_tra", 1.0) == pytest.approx(0.8)
    assert segmenter.error_px("thickness_tra", 0.8) == pytest.approx(0.8 * math.exp(0.6))
    for confidence in (1.0, 0.5):
        assert segmenter.error_px("base_displacement", confidence) == pytest.approx(1.5)


def test_the_level_of_the_error_leaves_room_for_the_spread_within_the_windows() -> None:
    rng = np.random.default_rng(7)
    own, spread = rng.normal(0, 0.3, 4000), np.full(4000, 0.4)
    errors = own + rng.normal(0, 0.4, 4000)
    sure = np.ones(4000)
    level, growth = error_model(errors, sure, spread)
    assert level == pytest.approx(0.3, abs=0.03) and growth == 0
    inside = np.abs(errors) <= Z95 * np.hypot(level, spread)
    assert inside.mean() == pytest.approx(0.95, abs=0.003)
    # Without a spread it holds all of the error.
    assert error_model(errors, sure, 0 * spread)[0] == pytest.approx(0.5, abs=0.03)
    # A spread that covers every error leaves a small level, not none.
    assert error_model(0.1 * own, sure, spread)[0] == SMALLEST_LEVEL_PX


def test_intervals_hold_where_nothing_spreads_as_well() -> None:
    rng = np.random.default_rng(5)
    own = rng.normal(0, 0.4, 4000)
    # Every other value comes from windows in which it varies ten times as much.
    spread = np.where(np.arange(4000) % 2, 4.0, 0.0)
    errors = own + rng.normal(0, 1, 4000) * 0.5 * spread
    level, _ = error_model(errors, np.ones(4000), spread)
    inside = np.abs(errors) <= Z95 * np.hypot(level, spread)
    assert inside[spread == 0].mean() == pytest.approx(0.95, abs=0.01)
    assert inside.mean() > 0.95


def test_intervals_hold_where_nothing_is_in_doubt_as_well() -> None:
    rng = np.random.default_rng(6)
    doubt = np.where(np.arange(4000) % 2, 0.3, 0.0)
    # Where there is doubt all errors are of one size, so that few of them are large for it.
    errors = np.where(doubt > 0, 2.0, rng.normal(0, 1, 4000))
    level, growth = error_model(errors, 1 - doubt, np.zeros(4000))
    inside = np.abs(errors) <= Z95 * level * np.exp(growth * doubt)
    assert growth > 2 and inside[doubt > 0].all()
    assert inside[doubt == 0].mean() == pytest.approx(0.95, abs=0.01)


def test_errors_of_the_base_come_from_more_clips_than_those_of_the_wall() -> None:
    numbers = calibration_numbers(200)
    assert len(set(numbers)) == len(numbers) and min(numbers) == CALIBRATION_FIRST
    views = [number % 2 for number in numbers]
    assert (views.count(0), views.count(1)) == (100, 300)
