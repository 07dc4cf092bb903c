"""Repainting of drawn walls: what changes, what stays, and where it is used."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from tiny import TINY, looks_changed

from layermotion.errors import ConfigError
from layermotion.training.repaint import LABELS, repaint

TISSUE, BORDER = 80, 200
# First rows of fat, EO, IO and TrA, and the one after the last of TrA; borders are 5 rows.
TOPS, THICK = (20, 70, 115, 160), 40


def wall() -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Four even layers with bright borders below each, in a picture of 320 x 160."""
    label = np.zeros((320, 160), np.uint8)
    image = np.full_like(label, TISSUE)
    for value, top in zip(LABELS, TOPS, strict=True):
        label[top : top + THICK] = value
    for top in TOPS:
        image[top + THICK : top + THICK + 5] = BORDER
    return image, label


def test_borders_fade_in_some_looks_and_stand_out_in_others() -> None:
    image, label = wall()
    middle = TOPS[1] + THICK + 2
    rows = [repaint(image, label, np.random.default_rng(k))[middle].mean() for k in range(60)]
    assert min(rows) < TISSUE + 0.2 * (BORDER - TISSUE)
    assert max(rows) > BORDER + 25


def test_lines_run_in_a_layer_and_greys_differ_between_layers() -> None:
    image, label = wall()
    inside = [slice(top + 6, top + THICK - 6) for top in TOPS]
    looks = [repaint(image, label, np.random.default_rng(k)).astype(int) for k in range(60)]
    lined = [any((look[rows] > TISSUE + 90).any() for rows in inside) for look in looks]
    assert 10 < sum(lined) < 55
    medians = np.array([[np.median(look[rows]) for rows in inside] for look in looks])
    assert (np.ptp(medians, axis=1) > 20).sum() > 15
    assert (medians.std(axis=0) > 5).all()


@given(st.integers(0, 2**32 - 1))
def test_what_lies_away_from_the_layers_stays(seed: int) -> None:
    image, label = wall()
    changed = repaint(image, label, np.random.default_rng(seed))
    assert changed.dtype == np.uint8 and changed.shape == image.shape
    assert np.array_equal(changed[: TOPS[0] - 5], image[: TOPS[0] - 5])
    below = TOPS[3] + THICK + 20
    assert np.array_equal(changed[below:], image[below:])
    assert np.array_equal(changed, repaint(image, label, np.random.default_rng(seed)))


@given(st.integers(0, 2**32 - 1), st.integers(0, 6))
def test_layers_that_are_cut_thin_or_absent_are_no_error(seed: int, thinnest: int) -> None:
    image, label = wall()
    rng = np.random.default_rng(seed)
    ends = rng.integers(0, 160, 2)
    label[:, : ends.min()] = 0
    label[:, ends.max() :][label[:, ends.max() :] == LABELS[1]] = 0
    label[TOPS[2] + thinnest : TOPS[3]] = 0
    assert repaint(image, label, rng).shape == image.shape


def test_a_bladder_stays_as_it_is() -> None:
    image, label = wall()
    bladder = np.where(label == LABELS[0], label, 0).astype(np.uint8)
    assert repaint(image, bladder, np.random.default_rng(0)) is image


def test_the_share_of_looks_is_that_of_the_settings() -> None:
    half, all_of_them = (looks_changed(replace(TINY, repainted=share)) for share in (0.5, 1))
    # Half of these pictures are walls.
    assert 0 < half < all_of_them < 40
    with pytest.raises(ConfigError, match=r"repainted cannot be 1.5; give one from 0 to 1"):
        replace(TINY, repainted=1.5)
