"""Intervals widen by the errors on held-out subjects, where there are enough; never narrow."""

import json
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from layermotion.lab.widening import FEWEST_SUBJECTS, factors_of, widen
from layermotion.models.judging import Score
from layermotion.network.segmenter import read_card, weights_names
from layermotion.normal import Z95

NAN = math.nan
ERRORS = {
    "thickness_tra": (1.0, 0.5), "change_tra": (1.5, 0.0), "base_displacement": (2.0, 1.0),
    "thickness_fat": (1.0, 0.0),
}  # fmt: skip


def scores(errors_px: Sequence[float], structure: str = "tra") -> list[Score]:
    """Two frames of each subject, of which the second has half the error."""
    return [
        Score(
            f"{n}-{part}", f"s-{n}", "a", structure, NAN, NAN, NAN, NAN, NAN, site_px=error / part
        )
        for n, error in enumerate(errors_px)
        for part in (1, 2)
    ]


def test_one_subject_in_twenty_may_lie_outside() -> None:
    assert FEWEST_SUBJECTS == 19
    # The 19 of 20 ranks: of 19 subjects the largest, of 39 the second largest error.
    for count, place in ((19, -1), (39, -2)):
        errors = np.arange(1, count + 1) * Z95
        factors, subjects = factors_of(ERRORS, scores(errors))
        assert (factors, subjects) == ({"tra": pytest.approx(errors[place] / Z95)}, count)
    assert factors_of(ERRORS, scores(np.arange(1.0, 19.0))) == ({}, 18)


def test_intervals_hold_the_next_subject_in_19_of_20_cases() -> None:
    random = np.random.default_rng(5)
    held = []
    for _ in range(2000):
        # Errors three times those of synthetic clips.
        *known, another = np.abs(random.normal(0, 3.0, 30))
        factors, _ = factors_of(ERRORS, scores(known))
        held.append(another <= factors["tra"] * Z95 + 0.005 * Z95)
    assert 0.94 < np.mean(held) < 0.98


def test_nothing_becomes_narrower_and_frames_without_a_value_take_no_part() -> None:
    small = scores(np.full(25, 0.1))
    assert factors_of(ERRORS, small) == ({"tra": 1.0}, 25)
    assert factors_of(ERRORS, scores(np.full(25, NAN))) == ({}, 0)


def test_the_card_keeps_both_and_is_the_same_when_judged_again(tmp_path: Path) -> None:
    path = tmp_path / "local-001.json"
    card = read_card(weights_names()[-1])
    card |= {"errors_px": ERRORS, "calibration": {"clips": 160}}
    path.write_text(json.dumps(card))
    few = widen(tmp_path, "local-001", "spring", scores(np.ones(4)))
    assert "rest on synthetic clips alone: 19 held-out subjects are needed" in few
    assert json.loads(path.read_text()) == json.loads(json.dumps(card))
    both = [*scores(np.full(19, 2 * Z95)), *scores(np.full(20, 6 * Z95), "bladder")]
    said = widen(tmp_path, "local-001", "spring", both)
    assert said == (
        "Intervals against those on synthetic clips, by 20 held-out subjects: tra 2 times, bladder "
        "3 times as wide."
    )
    found = json.loads(path.read_text())
    assert found["errors_px"] == {
        "thickness_tra": [2.0, 0.5], "change_tra": [3.0, 0.0], "base_displacement": [6.0, 1.0],
        "thickness_fat": [1.0, 0.0],
    }  # fmt: skip
    assert found["calibration"]["clips"] == 160
    assert found["calibration"]["widened"] == {"tra": 2.0, "bladder": 3.0}
    before = path.read_text()
    assert widen(tmp_path, "local-001", "spring", both) == said and path.read_text() == before
    # Errors that were smaller the next time take back what was widened.
    widen(tmp_path, "local-001", "autumn", scores(np.full(19, Z95)))
    assert json.loads(path.read_text())["errors_px"]["thickness_tra"] == [1.0, 0.5]
