"""Values that a muscle cannot reach from one frame to the next are withheld."""

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.geometry import Spacing
from layermotion.series.series import Quantity, Scale
from layermotion.series.withhold import (
    BASE_SCATTER_MM,
    SLIDE_SCATTER_MM,
    withhold_jumps,
    withhold_lost,
    withhold_noise,
    withhold_torn,
)

SCALE = Scale.of(Spacing(0.08, 0.11, "test"), 400)
TIME_S = np.arange(60) / 20


def kept(value: NDArray[np.float64], scale: Scale = SCALE) -> NDArray[np.float64]:
    quantity = Quantity("thickness", "tra", scale.unit, value, np.where(np.isnan(value), 0.0, 0.9))
    return withhold_jumps(quantity, TIME_S, scale).value


def test_a_fast_contraction_is_kept() -> None:
    value = 4 + 4 * np.clip((TIME_S - 1.0) / 0.3, 0, 1)  # doubles in 0.3 s
    np.testing.assert_array_equal(kept(value.copy()), value)


def test_a_spell_on_another_edge_is_withheld() -> None:
    value = np.full(60, 4.0)
    value[20:30] = 8.0
    found = kept(value.copy())
    assert np.isnan(found[20:30]).all()
    np.testing.assert_array_equal(np.delete(found, np.s_[20:30]), 4.0)


def test_a_step_that_stays_keeps_the_longer_side() -> None:
    value = np.where(np.arange(60) < 40, 4.0, 9.0)
    found = kept(value.copy())
    assert np.isnan(found[40:]).all() and not np.isnan(found[:40]).any()


def test_a_gap_gives_time_to_change() -> None:
    value = np.where(np.arange(60) < 20, 4.0, 7.0)
    value[20:26] = np.nan  # 0.35 s between the last 4 mm and the first 7 mm
    np.testing.assert_array_equal(kept(value.copy()), value)


def test_withheld_values_have_no_confidence_and_no_value_is_invented() -> None:
    value = np.full(60, 4.0)
    value[10] = 12.0
    quantity = Quantity("thickness", "io", "mm", value, np.full(60, 0.9))
    found = withhold_jumps(quantity, TIME_S, SCALE)
    assert np.isnan(found.value[10]) and found.confidence[10] == 0.0
    assert np.count_nonzero(np.isnan(found.value)) == 1


def test_the_limit_follows_the_scale_of_an_uncalibrated_clip() -> None:
    scale = Scale.of(None, 400)  # a site half-width of 16 px
    value = np.full(60, 40.0)
    value[20:30] = 45.0  # 5 px in one frame is within reach
    np.testing.assert_array_equal(kept(value.copy(), scale), value)
    value[20:30] = 70.0
    assert np.isnan(kept(value.copy(), scale)[20:30]).all()


def steadied(value: NDArray[np.float64], most_mm: float = SLIDE_SCATTER_MM) -> Quantity:
    sure = np.where(np.isnan(value), 0.0, 0.9)
    return withhold_noise(Quantity("slide", "tra", "mm", value, sure), most_mm)


@pytest.mark.parametrize("rate_hz", [10.0, 30.0])
def test_a_slide_with_efforts_and_breaths_is_kept(rate_hz: float) -> None:
    time_s = np.arange(0, 8, 1 / rate_hz)
    effort_mm = 12 * (0.5 - 0.5 * np.cos(np.pi * np.clip((time_s - 2) / 0.4, 0, 1)))
    breath_mm = 4 * np.sin(2 * np.pi * time_s / 3)
    scatter_mm = np.random.default_rng(3).normal(0, 0.08, time_s.size)
    value = effort_mm + breath_mm + scatter_mm
    value[20:30] = np.nan
    np.testing.assert_array_equal(steadied(value.copy()).value, value)
    np.testing.assert_array_equal(joined(value, time_s).value, value)


def joined(value: NDArray[np.float64], time_s: NDArray[np.float64]) -> Quantity:
    sure = np.where(np.isnan(value), 0.0, 0.9)
    return withhold_torn(Quantity("slide", "tra", "mm", value.copy(), sure), time_s)


def test_a_slide_that_springs_to_another_texture_is_withheld() -> None:
    time_s = np.arange(0, 8, 1 / 30)
    value = 12 * (0.5 - 0.5 * np.cos(np.pi * np.clip((time_s - 2) / 0.4, 0, 1)))
    away = value.copy()
    away[150:155] += 9
    found = joined(away, time_s)
    assert np.isnan(found.value).all() and not found.confidence.any()
    # After a second without a value a muscle may be anywhere.
    away[120:150] = away[155:185] = np.nan
    np.testing.assert_array_equal(joined(away, time_s).value, away)


def test_a_slide_that_shakes_from_frame_to_frame_is_withheld() -> None:
    # Runs of eight frames, as noise is found and lost again.
    value = np.random.default_rng(4).normal(0, 0.4, 60)
    value[8::12] = np.nan
    found = steadied(value.copy())
    assert np.isnan(found.value).all() and not found.confidence.any()
    # Too few successive frames tell nothing.
    value[17:] = np.nan
    np.testing.assert_array_equal(steadied(value.copy()).value, value)


@pytest.mark.parametrize("rate_hz", [25.0, 50.0])
def test_a_base_in_coughs_is_kept_and_one_lost_in_haze_is_withheld(rate_hz: float) -> None:
    time_s = np.arange(0, 6, 1 / rate_hz)
    coughs_mm = -12 * sum(np.exp(-(((time_s - at_s) / 0.08) ** 2)) for at_s in (2.0, 3.5))
    noise_mm = np.random.default_rng(5).normal(0, 1, time_s.size)
    for scatter_mm, is_kept in ((0.05, True), (0.2, False)):
        found = steadied(coughs_mm + scatter_mm * noise_mm, BASE_SCATTER_MM)
        assert np.isnan(found.value).all() != is_kept


def test_a_lost_slide_is_withheld_however_it_was_lost() -> None:
    time_s = np.arange(0, 4, 1 / 30)
    whole = 5 * (0.5 - 0.5 * np.cos(np.pi * np.clip((time_s - 2) / 0.4, 0, 1)))
    torn, shaking = whole.copy(), whole + np.random.default_rng(6).normal(0, 0.4, time_s.size)
    torn[90:95] += 9
    for value, is_kept in ((whole, True), (torn, False), (shaking, False)):
        slide = Quantity("slide", "tra", "mm", value.copy(), np.full(value.size, 0.9))
        assert np.isfinite(withhold_lost(slide, time_s).value).all() == is_kept
