"""Owns the loader of published.toml: every external value a test compares with."""

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

TABLE = Path(__file__).parent / "data" / "published.toml"


@dataclass(frozen=True)
class Published:
    """One external value.

    Parameters
    ----------
    value, tolerance
        In ``unit``; a test may accept ``value`` plus or minus ``tolerance``.
    unit
        ``mm``, ``dB``, ``ratio``, ...
    source
        Where the value was read, or the formula it follows from.
    status
        ``V`` read in the source, ``C`` computed from data read there, ``D`` derived exactly.
    """

    value: float
    tolerance: float
    unit: str
    source: str
    status: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.value) or not 0 <= self.tolerance < math.inf:
            raise ValueError("a published value and its tolerance must be finite numbers")
        if self.status not in ("V", "C", "D"):
            raise ValueError(
                f"status {self.status!r} is not V, C or D: only checked values are used"
            )
        if not self.source.strip() or not self.unit.strip():
            raise ValueError("a published value needs its source and its unit")

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest value a test may accept."""
        return self.value - self.tolerance, self.value + self.tolerance


@cache
def all_published() -> dict[str, Published]:
    """Every row by its id."""
    return read_table(TABLE.read_text(encoding="utf-8"))


def read_table(text: str) -> dict[str, Published]:
    """Parse rows; a missing, unknown or twice used key raises."""
    return {name: Published(**row) for name, row in tomllib.loads(text).items()}


def published(name: str) -> Published:
    """Return one row.

    Examples
    --------
    >>> published("speckle-envelope-snr").unit
    'ratio'
    """
    return all_published()[name]
