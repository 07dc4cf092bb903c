"""Owns what an amendment of a signed visit changes: what is kept of it, and said of it."""

from collections.abc import Mapping, Sequence
from typing import Any

from layermotion.errors import InputError
from layermotion.record.entries import SignedValue
from layermotion.review.confirming import is_same
from layermotion.review.steps import Step

GONE = (
    "{number} signed values would be gone, such as {first}; an amendment changes values or adds "
    "some, so take back what removed them."
)


def payload_of(
    text: str, steps: Sequence[Step], signed: Sequence[SignedValue], now: Sequence[SignedValue]
) -> dict[str, Any]:
    """Make what the record keeps of an amendment.

    Parameters
    ----------
    signed, now
        Values as they were signed or amended before, and as they are confirmed now.

    Raises
    ------
    InputError
        If a signed value would be gone.
    """
    if not steps:
        return {"text": text}
    before = {value.key: value for value in signed}
    gone = sorted(set(before) - {value.key for value in now})
    if gone:
        raise InputError(GONE.format(number=len(gone), first=" ".join(gone[0][1:4])))
    changed = [v for v in now if v.key not in before or not is_same(before[v.key].value, v.value)]
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
        "values": [value.to_json() for value in changed],
    }


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
    name = change["name"].replace("_", " ")
    repeat = change["repeat"] if change["repeat"] == "mean" else f"repeat {change['repeat']}"
    unit = "" if change["unit"] == "ratio" else f" {change['unit']}"
    return f"{clip}: {change['structure']} {name}, {repeat}, {was} to {change['to']:.2f}{unit}"
