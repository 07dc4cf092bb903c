"""Owns whether recordings are of one person and one day, told from keyed hashes alone."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from enum import Enum
from itertools import combinations

from layermotion.clip.identifiers import Identifiers
from layermotion.errors import InputError

# Makes a keyed hash of a text for a purpose; two purposes never give the same value.
Digest = Callable[[str, str], bytes]
PARTS = ("number", "issuer", "name", "birth")
NOT_CHECKED = (
    "Whether both visits are of one person was not checked: the files do not say, or the earlier "
    "visit was measured on another computer."
)
SAME_DAY = (
    "Both visits hold a recording of the same day, so what differs between them is no change over "
    "time."
)
SEVERAL_DAYS = (
    "The recordings of this visit are of different days, which was stated to be meant; a mean of "
    "repeats may be one over days."
)
OTHER_PERSON = (
    "The files of this visit and of the earlier one state different people, so nothing was "
    "measured; give --against an earlier visit of the same person."
)


class Relation(Enum):
    """Whether two identities are of one person."""

    SAME = "same"
    OTHER = "other"
    UNKNOWN = "unknown"


@dataclass(frozen=True, repr=False)
class Identity:
    """Person and days of some recordings as keyed hashes; empty where nothing is stated.

    Parameters
    ----------
    number, issuer, name, birth
        Hexadecimal.
    days
        The days of the recordings.
    """

    number: str = ""
    issuer: str = ""
    name: str = ""
    birth: str = ""
    days: frozenset[str] = field(default_factory=frozenset)

    def __repr__(self) -> str:
        return "Identity(hidden)"

    def __bool__(self) -> bool:
        return any(asdict(self).values())

    def relation_to(self, other: "Identity") -> Relation:
        """Tell whether another identity is of the same person.

        Whatever both state and state differently makes two people, but for a name beside the same
        number and date of birth: names change, and are spelt in several ways. The same number, or
        the same name and date of birth, make one person.
        """
        agree = {
            part: getattr(self, part) == getattr(other, part)
            for part in PARTS
            if getattr(self, part) and getattr(other, part)
        }
        is_named_alike = agree.get("name", True) or (agree.get("number") and agree.get("birth"))
        if not is_named_alike or not all(agree.get(p, True) for p in ("number", "issuer", "birth")):
            return Relation.OTHER
        is_same = agree.get("number") or (agree.get("name") and agree.get("birth"))
        return Relation.SAME if is_same else Relation.UNKNOWN

    def is_other_day(self, other: "Identity") -> bool:
        """Tell whether both state days, and none that is the same."""
        return bool(self.days and other.days) and not self.days & other.days


def identify(stated: Identifiers, digest: Digest) -> Identity:
    """Identity of one file; what its header states goes no further than this."""

    def keyed(purpose: str, text: str) -> str:
        return digest(purpose, text).hex() if text else ""

    parts = {part: keyed(part, getattr(stated, part)) for part in PARTS}
    day = keyed("day", stated.day)
    return Identity(**parts, days=frozenset([day] if day else []))


def check_one_person(recordings: Sequence[tuple[str, Identity]]) -> None:
    """Refuse recordings of different people.

    Parameters
    ----------
    recordings
        Name and identity, one for each file; a pair of stills has its name twice.

    Raises
    ------
    InputError
        If two of them state different people.
    """
    for (name, one), (other_name, other) in combinations(recordings, 2):
        if one.relation_to(other) is Relation.OTHER:
            raise InputError(
                f"{_both(name, other_name)} state different people, so nothing was measured; give "
                f"the recordings of each person as a visit of their own."
            )


def find_other_day(recordings: Sequence[tuple[str, Identity]]) -> str:
    """Words for two recordings of different days, such as ``The files of A and of B``; or none."""
    for (name, one), (other_name, other) in combinations(recordings, 2):
        if one.is_other_day(other):
            return _both(name, other_name)
    return ""


def _both(name: str, other: str) -> str:
    if name == other:
        return f"The two files of {name}"
    return f"The files of {name} and of {other}"


def merge(recordings: Sequence[tuple[str, Identity]]) -> Identity:
    """Identity of a whole visit: what any of its files states."""
    whole = Identity()
    for _, one in recordings:
        news = {part: getattr(whole, part) or getattr(one, part) for part in PARTS}
        whole = replace(whole, **news, days=whole.days | one.days)
    return whole


def as_record(identity: Identity) -> dict[str, object]:
    """Identity as it is kept in a file."""
    return {**asdict(identity), "days": sorted(identity.days)}


def from_record(record: Mapping[str, object]) -> Identity:
    """Identity as it was kept.

    Raises
    ------
    ValueError
        If it is none.
    """
    parts, days = [record.get(part) for part in PARTS], record.get("days")
    if not isinstance(days, list) or not all(isinstance(x, str) for x in (*parts, *days)):
        raise ValueError("not the identity of a visit")
    number, issuer, name, birth = (str(part) for part in parts)
    return Identity(number, issuer, name, birth, frozenset(days))


def compare_with_earlier(now: Identity, earlier: Identity | None) -> tuple[str, ...]:
    """Give the cautions of a comparison with an earlier visit.

    Parameters
    ----------
    earlier
        None where nothing is known of it, or where it was hashed with another key.

    Raises
    ------
    InputError
        If they are of different people.
    """
    relation = now.relation_to(earlier) if earlier else Relation.UNKNOWN
    if relation is Relation.OTHER:
        raise InputError(OTHER_PERSON)
    unsure = () if relation is Relation.SAME else (NOT_CHECKED,)
    is_same_day = bool(earlier and now.days & earlier.days)
    return (*unsure, *((SAME_DAY,) if is_same_day else ()))
