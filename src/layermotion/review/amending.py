"""Owns what an amendment of a signed visit changes: what is kept of it, and said of it."""

from collections.abc import Mapping, Sequence
from typing import Any

from layermotion.measures.measure import MEAN
from layermotion.record.entries import SignedValue
from layermotion.review.confirming import is_same
from layermotion.review.steps import Step

# Withdrawn values of one repeat that are named; of more their number is said (our choice).
MOST_NAMED = 3


def payload_of(
    text: str,
    steps: Sequence[Step],
    signed: Sequence[SignedValue],
    now: Sequence[SignedValue],
    facts: Mapping[str, Mapping[str, str]],
) -> dict[str, Any]:
    """Make what the record keeps of an amendment.

    Parameters
    ----------
    signed, now
        Values as they were signed or amended before, and as they are confirmed now.
    facts
        Of the clips of which they are others now.
    """
    if not steps:
        return {"text": text}
    before = {value.key: value for value in signed}
    kept = {value.key for value in now}
    changed = [v for v in now if v.key not in before or not is_same(before[v.key].value, v.value)]
    # An interval, a status or the frames may have changed where the value did not.
    renewed = [value for value in now if before.get(value.key) != value]
    return {
        "text": text,
        "steps": [step.to_json() for step in steps],
        "changes": [
            {
                "clip": value.clip_id,
                "name": value.name,
                "structure": value.structure,
                "repeat": value.repeat,
                "unit": value.unit,
                "from": before[value.key].value if value.key in before else None,
                "to": value.value,
            }
            for value in changed
        ],
        "values": [value.to_json() for value in renewed],
        "facts": facts,
        # What a person left out, or what a correction leaves without a value.
        "withdrawn": [list(key) for key in before if key not in kept],
    }


def amended_words(payload: Mapping[str, Any], names: Mapping[str, str]) -> tuple[str, ...]:
    """Say what an amendment changed and withdrew, a phrase for each in a report.

    Parameters
    ----------
    names
        What each clip is called there.
    """

    def named(clip: str) -> str:
        return names.get(clip, f"clip-{clip}")

    changed = [change_words(one, named(one["clip"])) for one in payload.get("changes", ())]
    groups: dict[tuple[str, str], list[str]] = {}
    for clip, name, structure, repeat, unit in payload.get("withdrawn", ()):
        groups.setdefault((clip, repeat), []).append(f"{structure} {_plain(name)} in {unit}")
    for (clip, repeat), values in groups.items():
        what = ", ".join(values) if len(values) <= MOST_NAMED else f"{len(values)} values"
        changed.append(f"{named(clip)}: {what} withdrawn, {_repeat_words(repeat)}")
    return tuple(changed)


def change_words(change: Mapping[str, Any], clip: str) -> str:
    """Say one change of an amendment in a report.

    Examples
    --------
    >>> change_words(
    ...     {"name": "thickness_rest", "structure": "tra", "repeat": "1", "unit": "mm",
    ...      "from": 4.0, "to": 5.25}, "left-draw_in-1")
    'left-draw_in-1: tra thickness rest, repeat 1, 4.00 to 5.25 mm'
    """
    was = "no value" if change["from"] is None else f"{change['from']:.2f}"
    repeat = _repeat_words(change["repeat"])
    unit = "" if change["unit"] == "ratio" else f" {change['unit']}"
    what = f"{change['structure']} {_plain(change['name'])}, {repeat}"
    return f"{clip}: {what}, {was} to {change['to']:.2f}{unit}"


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _repeat_words(repeat: str) -> str:
    return repeat if repeat == MEAN else f"repeat {repeat}"
