"""The whole picture tells efforts where no layer is measured, and what it must not tell."""

import cv2
import numpy as np
import pytest
from drawn_efforts import eased

from layermotion.series.picture import SMALL_SHAPE, WAYS, quick_changes, small_picture

RATE_HZ = 20.0
TIME_S = np.arange(0, 12, 1 / RATE_HZ)
EFFORT = eased(TIME_S, (3, 3.4, 6, 6.4)) + eased(TIME_S, (8, 8.4, 10, 10.4))
# Moves all of the tissue, slowly.
BREATH = np.sin(2 * np.pi * TIME_S / 9)


def tissue(effort_mm: float, gain: np.ndarray | float = 1.0) -> np.ndarray:
    """Speckled tissue that breathes, of which a corner moves with the effort; as small pictures."""
    rng = np.random.default_rng(4)
    speckle = cv2.GaussianBlur(rng.normal(size=(200, 240)).astype(np.float32), (0, 0), 6)
    rows, columns = np.indices(speckle.shape, np.float32)
    corner = (np.clip(rows - 100, 0, 40) / 40 * (columns > 120)).astype(np.float32)
    gains = np.broadcast_to(gain, TIME_S.shape)
    noise = rng.normal(0, 6, (TIME_S.size, *speckle.shape))
    return np.array([
        small_picture(np.clip(90 * each + 25 * each * cv2.remap(
            speckle / speckle.std(), columns, rows + np.float32(5 * breath) + up * corner,
            cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT,
        ) + grain, 0, 255).astype(np.uint8))
        for breath, up, each, grain in zip(
            BREATH, (4 * effort_mm * EFFORT).astype(np.float32), gains, noise, strict=True
        )
    ])  # fmt: skip


def likeness(one: np.ndarray, other: np.ndarray) -> float:
    return abs(float(np.corrcoef(one, other)[0, 1]))


def explained(courses: np.ndarray, true: np.ndarray) -> float:
    """Share of a course that some others together explain."""
    base = np.column_stack([*courses, np.ones(true.size)])
    rest = true - base @ np.linalg.lstsq(base, true, rcond=None)[0]
    return 1 - float(rest.var() / true.var())


def test_what_moves_quickly_is_told_from_a_breath_that_moves_more() -> None:
    courses = quick_changes(tissue(0.7), TIME_S)
    assert courses.shape == (WAYS, TIME_S.size)
    assert explained(courses[:2], EFFORT) > 0.9 and explained(courses, EFFORT) > 0.97
    still = quick_changes(tissue(0.0), TIME_S)
    assert explained(still, EFFORT) < 0.6
    assert np.abs(courses).max() < 1


def test_a_picture_that_only_becomes_brighter_does_not_change() -> None:
    plain = quick_changes(tissue(2.0), TIME_S)
    brighter = quick_changes(tissue(2.0, 1 + 0.4 * (TIME_S > 7)), TIME_S)
    assert all(likeness(a, b) > 0.97 for a, b in zip(plain[:2], brighter[:2], strict=True))


def test_frames_that_do_not_show_the_view_tell_nothing() -> None:
    pictures = tissue(2.0)
    pictures[:30] = 0
    courses = quick_changes(pictures, TIME_S)
    assert np.isnan(courses[:, :30]).all() and not np.isnan(courses[:, 30:]).any()
    assert explained(courses[:, 30:], EFFORT[30:]) > 0.9


@pytest.mark.parametrize("frames", [0, 1, 5])
def test_a_clip_of_few_frames_tells_nothing(frames: int) -> None:
    pictures = np.full((frames, *SMALL_SHAPE), 90, np.uint8)
    assert np.isnan(quick_changes(pictures, TIME_S[:frames])).all()


def test_a_frozen_picture_does_not_change() -> None:
    pictures = np.repeat(tissue(2.0)[:1], 100, axis=0)
    assert np.abs(quick_changes(pictures, TIME_S[:100])).max() < 1e-6
