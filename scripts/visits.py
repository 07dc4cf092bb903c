"""Simulates a month of visits with known changes, and judges every sentence on what changed.

Usage: python scripts/visits.py [--subjects N] [--seed N]

Each invented subject comes twice, three recordings of a draw-in on each side and of a cough and a
pelvic floor lift each time. Half of their values change truly between the visits, by 1.5 to 3 times
the smallest detectable change, some of them through zero; the others do not change. Repeats vary as
they usually do, and are measured with error. The smallest detectable change is that of the
simulated repeats, as a clinic's own study would give it.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

from layermotion.labels import Task
from layermotion.measures.measure import Measure, Status
from layermotion.measures.repeats import expected_spread
from layermotion.normal import Z95
from layermotion.session.against import LARGER, Change, compare_visits
from layermotion.session.detectable import DetectableChange, DetectableChanges
from layermotion.session.plan import Item, Settings, Side
from layermotion.session.recorded import Recorded
from layermotion.session.results import tabulate
from layermotion.session.sentences import change_sentences

REPEATS = 3
# What is measured: side, task, measure, structure, unit, usual value of a person and its SD.
MEASURED = (
    *(
        (side, Task.DRAW_IN, *kind)
        for side in (Side.LEFT, Side.RIGHT)
        for kind in (
            ("thickness_rest", "tra", "mm", 4.0, 0.8),
            ("thickness_change", "tra", "%", 40.0, 25.0),
            ("thickness_change", "eo", "%", 0.0, 4.0),
            ("slide", "tra", "mm", 8.0, 4.0),
        )
    ),
    (Side.MIDLINE, Task.COUGH, "base_displacement", "bladder", "mm", -8.0, 4.0),
    (Side.MIDLINE, Task.PELVIC_FLOOR_LIFT, "base_displacement", "bladder", "mm", 4.0, 4.0),
)
# Measuring error of one repeat as a share of the usual spread.
ERROR = 0.3
# Words that say the first of two signed values went farther along, or less far along, its way.
UP = ("lifted", "slid laterally", "thickened", "thicker")
DOWN = ("descended", "slid medially", "thinned", "thinner")


@dataclass
class Tally:
    """Counts of sentences and of changes."""

    said: int = 0
    right_words: int = 0
    true_way: int = 0
    real: int = 0
    said_of_real: int = 0
    unreal: int = 0
    said_of_unreal: int = 0

    def __add__(self, other: Tally) -> Tally:
        """Add two tallies."""
        names = (field.name for field in fields(self))
        return Tally(*(getattr(self, name) + getattr(other, name) for name in names))


def visit(rng: np.random.Generator, truths: dict[int, float], name: str) -> list[Recorded]:
    """Draw the recordings of one visit."""
    recorded = []
    places = list(dict.fromkeys((side, task) for side, task, *_ in MEASURED))
    for side, task in places:
        for repeat in range(1, REPEATS + 1):
            measures = []
            for place, (own_side, own_task, measure, structure, unit, _, _) in enumerate(MEASURED):
                if (own_side, own_task) != (side, task):
                    continue
                usual = expected_spread(measure, unit, structure) or 1.0
                value = truths[place] + rng.normal(0, usual) + rng.normal(0, ERROR * usual)
                half = Z95 * ERROR * usual
                measures.append(
                    Measure(
                        measure, structure, task, "1", value, unit, value - half, value + half,
                        Status.DRAFT, "", "0-9;10-19", "",
                    )
                )  # fmt: skip
            item = Item(side, task, repeat, (Path(f"{name}.dcm"),), None, Settings())
            clip = f"c{name}{side}{task}{repeat}"
            recorded.append(Recorded(item, clip, tuple(measures), {"lateral": "known"}, ()))
    return recorded


def detectable() -> DetectableChanges:
    """Smallest detectable changes of means of the simulated repeats."""
    changes = []
    for measure, structure, unit in dict.fromkeys((m[2], m[3], m[4]) for m in MEASURED):
        usual = expected_spread(measure, unit, structure) or 1.0
        sem = usual * math.sqrt((1 + ERROR**2) / REPEATS)
        change = Z95 * math.sqrt(2) * sem
        changes.append(
            DetectableChange(measure, structure, unit, REPEATS, sem, change, "one", 30, 90)
        )
    return DetectableChanges("simulated repeats", tuple(changes))


def is_right_way(words: str, change: Change) -> bool:
    """Judge the words of a sentence by the two values, without the code that chose them."""
    before, now = change.earlier, change.now
    head = words.partition(": ")[2]
    if head.startswith("so large a change"):
        return max(before, now) > 1.5 * min(before, now)
    if change.measure == "thickness_rest":
        return ("thicker" in head) == (now > before) and ("thinner" in head) == (now < before)
    first, _, second = head.partition("; at the earlier visit, it ")
    if "nor did it" in head:
        is_higher = "the higher value" in head
        return not any(change.are_beyond) and is_higher == (now > before)
    if second:
        said = zip((first, second), (now, before), change.are_beyond, strict=True)
        return all(_is_said(clause, value, beyond) for clause, value, beyond in said)
    went_up = any(word in first for word in UP)
    is_less = "less" in first
    way = went_up == (now > before) if not is_less else went_up == (now < before)
    return all(change.are_beyond) and way


def _is_said(clause: str, value: float, is_beyond: bool) -> bool:
    """Whether a clause says the way of a value beyond its error, and none of another."""
    up, down = (any(word in clause for word in way) for way in (UP, DOWN))
    return (up, down) == (is_beyond and value > 0, is_beyond and value < 0)


def judge_subject(rng: np.random.Generator, own: DetectableChanges, name: str) -> Tally:
    """Draw both visits of one subject, compare them, and count."""
    tally = Tally()
    before = {p: rng.normal(m[5], m[6]) for p, m in enumerate(MEASURED)}
    now = dict(before)
    for place in rng.permutation(len(MEASURED))[: len(MEASURED) // 2].tolist():
        _, _, measure, structure, unit, _, _ = MEASURED[place]
        found = own.find(measure, structure, unit, REPEATS)
        assert found is not None
        size = rng.uniform(1.5, 3.0) * found.smallest_detectable_change
        now[place] += size * (1 if rng.random() < 0.5 else -1)
    first, second = (tabulate(visit(rng, truths, name)) for truths in (before, now))
    places = {tuple(map(str, m[:4])): p for p, m in enumerate(MEASURED)}
    for change in compare_visits(second, first, own):
        place = places[str(change.side), str(change.task), change.measure, change.structure]
        true = now[place] - before[place]
        is_beyond = change.verdict == LARGER
        if true:
            tally.real += 1
            tally.said_of_real += is_beyond
            tally.true_way += is_beyond and true * change.change > 0
        else:
            tally.unreal += 1
            tally.said_of_unreal += is_beyond
        for words in change_sentences([change]):
            tally.said += 1
            tally.right_words += is_right_way(words, change)
    return tally


def main() -> None:
    """Draw the visits, judge the sentences, print the counts and the shares."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--subjects", type=int, default=30)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    own, tally = detectable(), Tally()
    for number in range(options.subjects):
        tally += judge_subject(rng, own, str(number))
    said = tally.said_of_real + tally.said_of_unreal
    print(f"{options.subjects} subjects: {tally.real} real changes, {tally.unreal} without any")
    print(f"words that go with the values: {tally.right_words} of {tally.said} (goal all)")
    print(f"said of a real change, and in its direction: {tally.true_way} of {tally.said_of_real}")
    print(f"said to be beyond error, and real: {100 * tally.said_of_real / said:.1f} % (goal 95)")
    print(f"real, and said to be beyond error: {100 * tally.said_of_real / tally.real:.0f} %")
    unreal = 100 * tally.said_of_unreal / tally.unreal
    print(f"not real, but said to be beyond error: {unreal:.1f} % (goal at most 5)")


if __name__ == "__main__":
    main()
