"""The robustness script: what it asks for, how it counts, and the page it draws."""

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from layermotion.labels import WALL_LAYERS, Structure, View
from layermotion_synthetic.factors import SHARES

SCRIPTS = Path(__file__).parent.parent / "scripts"


@pytest.fixture(autouse=True)
def scripts_on_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def test_every_factor_is_asked_for_beyond_training_too() -> None:
    import robustness

    work = list(robustness.jobs(robustness.FACTORS, 2))
    assert set(robustness.FACTORS) == set(SHARES) - {"split_screen"}
    for name in robustness.FACTORS:
        own = [job for job in work if job.factor == name]
        assert max(job.strength for job in own) == 1.5
        plain = robustness.PLAIN[name]
        assert own and all(job.strength != plain for job in own)
        assert {job.number for job in own} == {0, 1}
    kinds = {job.kind for job in work if job.factor == robustness.ALL_DRAWN}
    assert kinds == {"still", "clip", "bladder"}


def test_scenes_stay_while_a_factor_grows() -> None:
    import robustness

    weak, strong = (
        robustness.draw(robustness.Job("still", "noise", level, 3)) for level in (0.0, 1.0)
    )
    assert weak.scene.factors.noise == 0 and strong.scene.factors.noise == 1
    first, second = (plan.scene.stack.layers for plan in (weak, strong))
    for one, other in zip(first, second, strict=True):
        np.testing.assert_array_equal(one.thickness_mm, other.thickness_mm)
    neither = robustness.draw(robustness.Job("neither", robustness.NEITHER, float("nan"), 0))
    assert neither.view is None


@pytest.mark.slow
def test_a_plain_wall_is_measured_and_an_invisible_one_is_refused() -> None:
    import robustness

    plain = robustness.measure(robustness.Job("still", robustness.ALL_OFF, 0.0, 0))
    assert [row.structure for row in plain] == [str(layer) for layer in WALL_LAYERS]
    assert all(abs(row.error_mm) < 1.5 for row in plain if not np.isnan(row.error_mm))
    assert any(not np.isnan(row.error_mm) for row in plain)
    hidden = robustness.measure(robustness.Job("still", "gain", -12.0, 0))
    assert len(hidden) == len(WALL_LAYERS)
    assert all(np.isnan(row.error_mm) and row.reason for row in hidden)


def some_rows() -> list[Any]:
    import robustness

    def row(factor: str, level: float, error: float, number: int = 0) -> robustness.Row:
        reason = "withheld" if np.isnan(error) else ""
        known = (float("nan"), float("nan")) if reason else (0.88 + 0.05 * number, 0.35)
        return robustness.Row("still", factor, level, number, "tra", error, reason, *known)

    neither = [
        robustness.Row("neither", robustness.NEITHER, float("nan"), 0, "io", 5.0, "invented"),
        robustness.Row("neither", robustness.NEITHER, float("nan"), 0, "eo", 4.0, "invented"),
        robustness.Row("neither", robustness.NEITHER, float("nan"), 1, "none", np.nan, "withheld"),
        robustness.Row("neither", robustness.NEITHER, float("nan"), 2, "none", np.nan, "refused"),
        robustness.Row("neither", robustness.NEITHER, float("nan"), 3, "none", np.nan, "refused"),
    ]
    return [
        row("gain", 1.0, -0.2),
        row("gain", 1.0, 0.4, 1),
        row("gain", 1.0, float("nan"), 2),
        row("gain", 1.0, float("nan"), 3),
        row("gain", 1.5, 2.5),
        row(robustness.ALL_OFF, 0.0, 0.1),
        row(robustness.ALL_DRAWN, float("nan"), 0.3),
        row(robustness.ALL_DRAWN, float("nan"), 0.5, 1),
        *neither,
    ]


def test_errors_and_withheld_values_are_counted_apart() -> None:
    import robustness

    points = {(p.factor, p.strength): p for p in robustness.summarise(some_rows())}
    gain = points["gain", 1.0]
    assert gain.mean_error_mm == pytest.approx(0.3) and gain.values == 4
    assert gain.withheld_percent == 50
    assert points[robustness.ALL_DRAWN, 0.0].mean_error_mm == pytest.approx(0.4)
    # One of four pictures, however many values it yields.
    assert robustness.invented_percent(some_rows()) == (25.0, 4)


def test_stated_errors_are_set_beside_true_ones_by_confidence() -> None:
    import robustness

    within_low, within_high, beyond = robustness.reliability(some_rows())
    # Errors of 0.2, 0.1 and 0.3 at confidence 0.88, of 0.4 and 0.5 at 0.93; 0.35 is stated.
    assert (within_low.away, within_low.values, within_low.inside_percent) == (False, 3, 100.0)
    assert (within_high.values, within_high.inside_percent) == (2, 0.0)
    assert within_high.error_95_mm == pytest.approx(0.495)
    assert (beyond.away, beyond.values, beyond.stated_mm) == (True, 1, 0.35)


def test_table_holds_every_value_and_leaves_missing_ones_empty() -> None:
    import robustness

    lines = robustness.to_csv(some_rows()).splitlines()
    header = "kind,factor,strength,number,structure,error_mm,reason,confidence,stated_mm"
    assert lines[0] == header
    assert len(lines) == 1 + len(some_rows())
    assert lines[1] == "still,gain,1.0000,0,tra,-0.2000,,0.8800,0.3500"
    assert lines[3] == "still,gain,1.0000,2,tra,,withheld,,"


def test_page_is_whole_and_needs_nothing_from_outside() -> None:
    import robustness

    points = robustness.summarise(some_rows())
    bins = robustness.reliability(some_rows())
    page = robustness.draw_page(points, bins, robustness.PLAIN, (25.0, 4), "layers-<9>")
    HTMLParser().feed(page)
    assert page.count("<svg") == page.count("</svg>") == 2
    assert "25.0 %" in page and "layers-&lt;9&gt;" in page
    assert "TrA 2.5" in page  # a line that leaves its plot is named with its value
    assert not re.search(r"https?:|src=|@import|url\((?!#)", page)


@pytest.mark.parametrize("view", [View.ABDOMINAL_WALL, View.BLADDER])
def test_refused_clips_count_as_much_as_measured_ones(view: View) -> None:
    import robustness

    kind = "bladder" if view is View.BLADDER else "clip"
    job = robustness.Job(kind, "noise", 1.0, 0)
    rows = robustness.refused(job, robustness.draw(job), "too dark")
    layers = 1 if view is View.BLADDER else len(WALL_LAYERS)
    assert len(rows) == robustness.FRAMES_COMPARED * layers
    expected = {Structure.BLADDER} if view is View.BLADDER else set(WALL_LAYERS)
    assert {row.structure for row in rows} == {str(structure) for structure in expected}
