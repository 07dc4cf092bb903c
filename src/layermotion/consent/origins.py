"""Owns the gate for weights: what local pictures they learnt from, and whether they may be used.

Weights carry their origins through every run that starts from them, in the checkpoint and in the
card. An origin names the laboratory's ledger, which is asked at each use.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from layermotion.consent.ledger import Ledger
from layermotion.consent.register import Register
from layermotion.errors import WeightsError

# Split of a build that weights learn from.
LEARNT = "train"


@dataclass(frozen=True)
class Origin:
    """A build that weights learnt from.

    Parameters
    ----------
    ledger
        Absolute path of the laboratory's consent ledger.
    laboratory
        What tells the laboratory from all others.
    fingerprint
        That of the build.
    """

    ledger: str
    laboratory: str
    fingerprint: str


def origins_of(card: Mapping[str, Any]) -> tuple[Origin, ...]:
    """Read the origins in a card, or in the progress of a checkpoint.

    Raises
    ------
    WeightsError
        If they cannot be read: weights of unknown origin are not used.
    """
    try:
        return tuple(Origin(**entry) for entry in card.get("local_origins", ()))
    except TypeError as error:
        raise WeightsError(
            "What these weights learnt from cannot be read; use weights that came with this "
            "version, or train again."
        ) from error


def to_entries(origins: Iterable[Origin]) -> list[dict[str, str]]:
    """Make what ``origins_of`` reads, each origin once."""
    return [asdict(origin) for origin in dict.fromkeys(origins)]


def check_weights(what: str, origins: Iterable[Origin], on: date | None = None) -> None:
    """Refuse weights that learnt from a subject who has withdrawn since.

    Parameters
    ----------
    what
        What is to be used, as the sentence begins: ``The weights local-001``.
    on
        Day of the use; today if None.

    Raises
    ------
    WeightsError
        If somebody withdrew, or the ledger cannot be asked.
    """
    day = on or date.today()
    for origin in origins:
        register = _reached(what, origin)
        learnt_from = register.subjects(origin.fingerprint, LEARNT)
        ledger = Ledger(register.path)
        gone = sorted(learnt_from & ledger.withdrawn(ledger.day_of_use(day)))
        if gone or not learnt_from:
            who = f"{', '.join(gone)}, who withdrew" if gone else "a build that is not known"
            raise WeightsError(
                f"{what} cannot be used, because of learning from {who}; use weights that never "
                f"saw such pictures (layermotion models list), or train anew."
            )


def refuse_folds(what: str, origins: Iterable[Origin]) -> None:
    """Refuse what learnt from a fold of cross-validation, and so from held-out subjects.

    Raises
    ------
    WeightsError
        If there is a fold among the origins, or a ledger cannot be asked.
    """
    if any(_reached(what, origin).is_fold(origin.fingerprint) for origin in origins):
        raise WeightsError(
            f"{what} learnt from a fold of cross-validation, which gives no weights for use; train "
            f"on the whole build with: layermotion lab learn"
        )


def note_made(path: Path, origins: Iterable[Origin]) -> None:
    """Tell each laboratory that a run or weights learnt from its pictures, and where they lie."""
    for origin in origins:
        Register(Path(origin.ledger)).note_made(path, [origin.fingerprint])


def is_refused(register: Register, path: Path, on: date) -> bool:
    """Whether loading refuses a run or weights that a laboratory knows of."""
    asked = register.asked_by(path)
    try:
        check_weights(str(path), (Origin(ledger, register.identity, f) for ledger, f in asked), on)
    except WeightsError:
        return True
    return False


def _reached(what: str, origin: Origin) -> Register:
    path = Path(origin.ledger)
    register = Register(path)
    if not path.is_file() or register.identity != origin.laboratory:
        raise WeightsError(
            f"{what} cannot be used, because the consents for their pictures are not at {path}; "
            f"bring that laboratory's folder back there."
        )
    return register
