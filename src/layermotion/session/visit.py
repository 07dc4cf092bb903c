"""Owns the visit as a whole: what its recordings say together, and what to be careful about."""

from collections.abc import Mapping
from dataclasses import dataclass

from layermotion.session.against import Change, Earlier, compare_visits
from layermotion.session.detectable import DetectableChanges
from layermotion.session.recorded import Recorded
from layermotion.session.results import Row, tabulate
from layermotion.session.sentences import disagreement_sentences

# Facts that the recordings of a visit share.
SHARED_FACTS = ("software", "weights", "weights SHA-256", "site")
OWN_INTERVAL = (
    "The interval of a single repeat holds the measuring error alone, not how much one effort "
    "differs from the next; record at least three repeats."
)
MANY_INTERVALS = (
    "Of many comparisons, up to one in twenty shows a difference beyond its interval where there "
    "is none."
)


@dataclass(frozen=True)
class Failure:
    """A recording that could not be measured, and why."""

    name: str
    reason: str


@dataclass(frozen=True)
class Visit:
    """All that the page of a visit shows.

    Parameters
    ----------
    changes
        Against an earlier visit; None where none was given.
    cautions
        Of the visit as a whole; those of a recording are in ``recorded``.
    provenance
        Facts that its recordings share.
    """

    recorded: tuple[Recorded, ...]
    rows: tuple[Row, ...]
    failures: tuple[Failure, ...]
    changes: tuple[Change, ...] | None
    cautions: tuple[str, ...]
    provenance: Mapping[str, str]


def assemble(
    recorded: tuple[Recorded, ...],
    failures: tuple[Failure, ...],
    earlier: Earlier | None,
    own: DetectableChanges | None,
) -> Visit:
    """Put the recordings of a visit together, and beside an earlier one where there is one."""
    rows = tabulate(recorded)
    provenance = {
        name: "; ".join(dict.fromkeys(one.facts.get(name, "") for one in recorded))
        for name in SHARED_FACTS
    }
    changes = None
    cautions = [*disagreement_sentences(rows), OWN_INTERVAL, MANY_INTERVALS]
    if earlier is not None:
        changes = compare_visits(rows, earlier.rows, own)
        cautions += _between_visits(provenance, earlier.facts)
    return Visit(recorded, rows, failures, changes, tuple(cautions), provenance)


def _between_visits(now: Mapping[str, str], before: Mapping[str, str]) -> list[str]:
    cautions = [
        "The files do not say whether position, bladder filling and place of the probe were the "
        "same at both visits; check it."
    ]
    for name in ("weights", "site"):
        if now[name] != before.get(name):
            cautions.append(
                f"The earlier visit was measured with other {name} ({before.get(name)}, now "
                f"{now[name]}); measure it again in the same way before you compare."
            )
    return cautions
