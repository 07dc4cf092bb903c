"""Owns what the results of one recording say: ``measures.json`` read back, and checked."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import ConfigDict

from layermotion.errors import InputError
from layermotion.measures.measure import Measure
from layermotion.session.plan import Item
from layermotion.stored import Document, read_stored

REST = "thickness_rest"
# Beyond any measure in mm, %, s or as a ratio (our choice).
LARGEST = 1e6


@dataclass(frozen=True)
class Recorded:
    """What ``measures.json`` says of one recording of the visit."""

    item: Item
    clip: str
    measures: tuple[Measure, ...]
    facts: Mapping[str, str]
    cautions: tuple[str, ...]
    advice: tuple[str, ...] = ()

    @property
    def picture_width_mm(self) -> float | None:
        """How wide the picture of its key frames is; None without a scale."""
        words = self.facts.get("picture_width_mm")
        return float(words) if words else None

    @property
    def shows_effort(self) -> bool:
        """Whether more than rest was measured in it, so that its key frames show an effort."""
        return any(m.value is not None and m.name != REST for m in self.measures)

    @property
    def is_lateral_known(self) -> bool:
        """Whether its slides are positive towards lateral."""
        return is_lateral_known(self.facts)


def is_lateral_known(facts: Mapping[str, str]) -> bool:
    """Whether the slides of a recording with these facts are positive towards lateral."""
    return facts.get("lateral") == "known"


def check_value(value: float | None, low: float | None, high: float | None) -> None:
    """Raise ValueError unless an interval holds its value, and none is of an impossible size."""
    known = [number for number in (low, value, high) if number is not None]
    if known != sorted(known) or any(abs(number) > LARGEST for number in known):
        raise ValueError("a value outside its interval, or of an impossible size")


class Measured(Document):
    """What ``measures.json`` holds; every other entry is a fact in words."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, str]
    clip: str
    measures: tuple[Measure, ...]
    cautions: tuple[str, ...]
    advice: tuple[str, ...] = ()

    @property
    def facts(self) -> dict[str, str]:
        """Every other entry, by its name."""
        return self.__pydantic_extra__


def read_measured(path: Path) -> Measured:
    """Read ``measures.json``.

    Raises
    ------
    OSError, ValueError
        If it cannot be read, or is not what this version writes.
    """
    found = read_stored(path, Measured)
    for measure in found.measures:
        check_value(measure.value, measure.low, measure.high)
    return found


def read_recorded(item: Item, path: Path) -> Recorded:
    """Read the measures of a finished recording back.

    Raises
    ------
    InputError
        If the file is not what this version writes.
    """
    try:
        found = read_measured(path)
        facts = {**found.facts, "clip": found.clip}
        recorded = Recorded(item, found.clip, found.measures, facts, found.cautions, found.advice)
        if not math.isfinite(recorded.picture_width_mm or 0.0):
            raise ValueError("a picture of no width")
        return recorded
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path} is not a result of this version; delete its folder and measure again."
        ) from error
