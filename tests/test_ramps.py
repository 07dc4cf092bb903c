"""Ramps: known ends under other shapes, breathing, fading holds, gaps and noise."""

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.efforts.ramps import LONGEST_HALF_S, place_ramp

Signal = NDArray[np.float64]
RATE_HZ = 30.0
TIME_S = np.arange(-2.5, 2.5, 1 / RATE_HZ)


def cosine(top_s: float, foot_s: float) -> Signal:
    """1 until the top, 0 from the foot on, half a cosine between."""
    share = np.clip((TIME_S - top_s) / (foot_s - top_s), 0, 1)
    return 0.5 + 0.5 * np.cos(np.pi * share)


@pytest.mark.parametrize("takes_s", [0.1, 0.3, 0.6, 1.1])
def test_ends_of_a_smooth_ramp_are_found(takes_s: float) -> None:
    top_s, foot_s, spread_s = place_ramp(
        cosine(0.2, 0.2 + takes_s), TIME_S, 0.2 + 0.45 * takes_s, 0.005
    )
    assert top_s == pytest.approx(0.2, abs=0.04)
    assert foot_s == pytest.approx(0.2 + takes_s, abs=0.04)
    assert 0.01 < spread_s < 0.2 * takes_s + 0.02


def test_a_breath_at_rest_and_a_fading_hold_move_the_ends_little() -> None:
    # Breathing of a sixth of the height, 15 a minute, and a hold that loses a tenth a second.
    breath = 0.08 * np.sin(2 * np.pi * (TIME_S / 4 + 0.1))
    fading = -0.1 * np.minimum(TIME_S, 0) * (TIME_S < 0)
    height = cosine(0.0, 0.5) + breath + fading
    top_s, foot_s, spread_s = place_ramp(height, TIME_S, 0.25, 0.01)
    assert top_s == pytest.approx(0.0, abs=0.06)
    assert foot_s == pytest.approx(0.5, abs=0.06)
    assert spread_s < 0.15


@pytest.mark.parametrize("share", [1.0, 0.5])
def test_ends_of_other_shapes_lie_in_their_interval(share: float) -> None:
    part = np.clip(TIME_S / 0.8, 0, 1)
    gentle = part**3 * (10 - 15 * part + 6 * part**2)
    height = 1 - share * part - (1 - share) * gentle
    top_s, foot_s, spread_s = place_ramp(height, TIME_S, 0.4, 0.01)
    assert abs(top_s) < 2 * spread_s
    assert abs(foot_s - 0.8) < 2 * spread_s


def test_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    rng = np.random.default_rng(1)
    inside, spreads = [], []
    for _ in range(150):
        takes_s, breath = rng.uniform(0.2, 1.1), rng.uniform(0, 0.1)
        phase, rate_hz = rng.uniform(0, 6.28), rng.uniform(0.2, 0.35)
        height = cosine(0.0, takes_s) + breath * np.sin(2 * np.pi * rate_hz * TIME_S + phase)
        height += rng.normal(0, 0.04, height.size)
        top_s, foot_s, spread_s = place_ramp(height, TIME_S, takes_s / 2, 0.04)
        inside += [abs(top_s) < 1.96 * spread_s, abs(foot_s - takes_s) < 1.96 * spread_s]
        spreads.append(spread_s)
    assert 0.9 <= np.mean(inside)
    # An interval that held everything would be of no use.
    assert np.median(spreads) < 0.13


def test_spread_grows_with_noise_and_with_gaps() -> None:
    rng = np.random.default_rng(2)
    height = cosine(0.0, 0.6)
    quiet = place_ramp(height + rng.normal(0, 0.01, height.size), TIME_S, 0.3, 0.01)[2]
    loud = place_ramp(height + rng.normal(0, 0.12, height.size), TIME_S, 0.3, 0.12)[2]
    seen = (TIME_S < 0.05) | (TIME_S > 0.55)
    gappy = place_ramp(height[seen], TIME_S[seen], 0.3, 0.05)[2]
    whole = place_ramp(height, TIME_S, 0.3, 0.05)[2]
    assert quiet < loud
    assert whole < gappy


def test_a_ramp_that_no_frame_shows_may_lie_anywhere_around_its_middle() -> None:
    time_s = np.concatenate([np.arange(0, 2, 0.05), np.arange(8, 10, 0.05)])
    height = (time_s < 5).astype(float)
    assert place_ramp(height, time_s, 5.0, 0.01) == (5.0, 5.0, LONGEST_HALF_S)
    one = place_ramp(np.ones(1), np.array([5.0]), 5.0, 0.01)
    assert one == (5.0, 5.0, LONGEST_HALF_S)
