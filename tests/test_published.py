"""The table of external values is complete, and what can be derived is derived again."""

import math
import re

import pytest
from published import all_published, published, read_table
from scipy.optimize import brentq
from scipy.stats import expon


def _width_at_half(power: int) -> float:
    def above_half(u: float) -> float:
        return (math.sin(math.pi * u) / (math.pi * u)) ** power - 0.5

    return 2 * float(brentq(above_half, 0.1, 0.9))


DERIVED = {
    "speckle-envelope-snr": math.sqrt(math.pi / (4 - math.pi)),
    "speckle-intensity-snr": expon.mean() / expon.std(),
    "speckle-log-sd": 20 / math.log(10) * math.pi / math.sqrt(24),
    "axial-resolution-factor": published("speed-scanner").value / 1000 / 2,
    "lateral-width-one-way": _width_at_half(1),
    "lateral-width-two-way": _width_at_half(2),
    "preferential-activation-ratio": 5.6 / 23.0 - 3.5 / 20.0,
    "contraction-ratio-example": 5.6 / 3.5,
    "change-percent-example": 100 * (5.6 - 3.5) / 3.5,
    "detectable-change-per-sem": 1.96 * math.sqrt(2),
    "bladder-volume-factor": math.pi / 6,
}


@pytest.mark.parametrize("name", DERIVED)
def test_derived_value_is_right_to_its_last_digit(name: str) -> None:
    assert published(name).value == pytest.approx(DERIVED[name], rel=5e-5)


def test_every_derived_row_is_derived_here() -> None:
    assert {name for name, row in all_published().items() if row.status == "D"} <= set(DERIVED)


def test_every_row_read_elsewhere_says_where() -> None:
    place = re.compile(r"\b(19|20)\d\d\b|PMC\d{5}|article \d|\w\.com\b")
    unplaced = [
        name
        for name, row in all_published().items()
        if row.status in ("V", "C") and not place.search(row.source)
    ]
    assert unplaced == []
    assert len(all_published()) > 50


def test_smallest_detectable_changes_agree_with_their_errors() -> None:
    # Costa et al. 2009 print both, rounded, so they agree within the rounding of each.
    factor = published("detectable-change-per-sem").value
    for sem, change in (
        ("thickness-sem", "thickness-smallest-detectable-change"),
        ("change-percent-sem", "change-percent-smallest-detectable-change"),
    ):
        rounding = published(change).tolerance + factor * published(sem).tolerance
        assert abs(factor * published(sem).value - published(change).value) <= rounding


ROW = '[x]\nvalue = 1.0\ntolerance = 0.1\nunit = "mm"\nsource = "a page"\nstatus = "V"\n'


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"V"', '"M"', "only checked values"),
        ('"a page"', '" "', "needs its source"),
        ("0.1", "-0.1", "finite"),
        ("1.0", "nan", "finite"),
    ],
)
def test_unusable_row_is_refused(old: str, new: str, message: str) -> None:
    assert read_table(ROW)["x"].range == (0.9, 1.1)
    with pytest.raises(ValueError, match=message):
        read_table(ROW.replace(old, new))


def test_row_without_status_is_refused() -> None:
    with pytest.raises(TypeError, match="status"):
        read_table(ROW.replace('status = "V"\n', ""))
