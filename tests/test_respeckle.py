"""New speckle: another grain, while greys and borders stay where they are."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tiny import TINY, looks_changed

from layermotion.errors import ConfigError
from layermotion.training.respeckle import respeckle

LEFT, RIGHT, BORDER = 90, 150, 230


def picture(seed: int = 0) -> np.ndarray:
    """Two tissues with grain, a bright border between them, and nothing beside them."""
    rng = np.random.default_rng(seed)
    image = np.zeros((320, 160))
    image[40:150], image[150:156], image[156:280] = LEFT, BORDER, RIGHT
    image[40:280] += rng.normal(0, 8, (240, 160))
    return np.clip(image, 0, 255).astype(np.uint8)


def test_the_grain_is_another_each_time_and_the_tissue_is_not() -> None:
    image = picture()
    looks = [respeckle(image, np.random.default_rng(k)).astype(float) for k in range(40)]
    upper, lower = (np.array([look[rows].mean() for look in looks]) for rows in
                    (slice(50, 140), slice(170, 270)))  # fmt: skip
    assert np.abs(upper - LEFT).max() < 8 and np.abs(lower - RIGHT).max() < 8
    spread = [look[50:140].std() for look in looks]
    assert min(spread) < 10 and max(spread) > 20
    near, far = ([alike(look[50:140], px) for look in looks] for px in (2, 12))
    assert min(near) < 0.2 and max(near) > 0.5
    # Grain does not reach so far: these are streaks.
    assert 2 < sum(share > 0.05 for share in far) < 12


def alike(look: np.ndarray, px: int) -> float:
    """Correlation of each grey with the one so many columns beside it."""
    return float(np.corrcoef(look[:, :-px].ravel(), look[:, px:].ravel())[0, 1])


def test_a_border_stays_in_its_rows() -> None:
    looks = np.mean([respeckle(picture(), np.random.default_rng(k)) for k in range(40)], axis=0)
    rows = looks.mean(axis=1)
    assert rows[150:156].min() > 200 and rows[144] < 110 and rows[161] < 170


@given(st.integers(0, 2**32 - 1))
def test_what_is_no_picture_stays_as_it_is(seed: int) -> None:
    image = picture()
    image[:30] = 70
    changed = respeckle(image, np.random.default_rng(seed))
    assert changed.dtype == np.uint8 and changed.shape == image.shape
    assert np.array_equal(changed[:20], image[:20]) and np.array_equal(changed[300:], image[300:])
    assert np.array_equal(changed, respeckle(image, np.random.default_rng(seed)))
    flat = np.full_like(image, 90)
    assert np.array_equal(respeckle(flat, np.random.default_rng(seed)), flat)


def test_the_share_of_looks_is_that_of_the_settings() -> None:
    half, all_of_them = (looks_changed(replace(TINY, respeckled=share)) for share in (0.5, 1))
    assert 12 < half < 36 and all_of_them == 48
    with pytest.raises(ConfigError, match=r"respeckled cannot be -0.5; give one from 0 to 1"):
        replace(TINY, respeckled=-0.5)
