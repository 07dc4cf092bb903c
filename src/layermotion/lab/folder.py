"""Owns the folder of a laboratory: its clips without identity, and what is known of each.

lab.json        which secret the pseudonyms belong to, and where it lies
consent.sqlite  the consent ledger, and what was made from whose pictures
clips/          NAME.dcm without identity, NAME.json beside it
prints/         NAME.npz, by which copies of a clip are told
proposals/      NAME-FRAME.png, label values that the weights proposed last, and earlier ones
labels/         NAME-FRAME.png, label values 0 to 5, as large as the frame; NAME-FRAME.json, by whom
review/         contact sheets to look through
builds/         frozen versions of the data set
receipts/       what was erased

Every use of a picture passes ``Lab.allow``: no consent today, no use.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from datetime import date
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydicom.pixels.utils import iter_pixels

from layermotion.consent.ledger import Ledger, Scope
from layermotion.consent.origins import Origin
from layermotion.consent.register import Register
from layermotion.errors import InputError
from layermotion.files import make_folder, write_text
from layermotion.geometry import ImageArea, Spacing
from layermotion.lab.secret import Secret, create_secret, load_secret
from layermotion.labels import View

SCHEMA_VERSION = 2
MARK_NAME = "lab.json"
LEDGER_NAME = "consent.sqlite"
FOLDERS = ("clips", "prints", "proposals", "labels", "review", "builds", "receipts")
# Names of files that are whole: what a killed command left begins with a dot.
FINISHED = "[!.]*"
# Digits of a frame's number in its key; a clip of 100,000 frames is no clip.
FRAME_DIGITS = 5


class Review(StrEnum):
    """Whether a person has looked for text that was left in the picture."""

    PENDING = "pending"
    ACCEPTED = "accepted"
    REJECTED = "rejected"


@dataclass(frozen=True)
class ClipRecord:
    """What is known of one imported clip.

    Parameters
    ----------
    name, uid
        Keyed hash of the original file, the only name it has here; its SOP Instance UID here.
    subject, site, scanner
        Pseudonym of the subject; the laboratory's own word for the place; make of the scanner.
    view
        What the probe looks at, where it was stated.
    rows, columns, frames
        Size of a frame, px, and their number.
    row_mm, column_mm
        Size of a pixel; None where the clip is not calibrated.
    area
        Image area (top, left, height, width); all around it is black.
    review
        Whether a person has looked for text that was left in the picture.
    """

    name: str
    uid: str
    subject: str
    site: str
    scanner: str
    view: View | None
    rows: int
    columns: int
    frames: int
    row_mm: float | None
    column_mm: float | None
    area: tuple[int, int, int, int]
    review: Review

    @property
    def image_area(self) -> ImageArea:
        """Where the ultrasound image lies in the frame."""
        return ImageArea(*self.area)

    @property
    def spacing(self) -> Spacing | None:
        """Size of a pixel, or None."""
        if self.row_mm is None or self.column_mm is None:
            return None
        return Spacing(self.row_mm, self.column_mm, "as imported")


@dataclass(frozen=True)
class Lab:
    """One laboratory's folder on one day; ``open_lab`` checks it.

    Parameters
    ----------
    today
        Day on which consents must hold.
    """

    root: Path
    today: date = field(default_factory=date.today)

    @property
    def ledger(self) -> Ledger:
        """The consent ledger."""
        return Ledger(self.root / LEDGER_NAME)

    @property
    def register(self) -> Register:
        """What was made from whose pictures."""
        return Register(self.root / LEDGER_NAME)

    def origin(self, fingerprint: str) -> Origin:
        """Return what weights carry that learn from a build here."""
        path = (self.root / LEDGER_NAME).resolve()
        return Origin(str(path), self.register.identity, fingerprint)

    def consents(self) -> dict[str, frozenset[Scope]]:
        """Return what each subject's consent covers today."""
        return self.ledger.subjects(self.day_of_use)

    @property
    def day_of_use(self) -> date:
        """Day by which a use is judged, also under a clock that was set back."""
        return self.ledger.day_of_use(self.today)

    def allow(self, record: ClipRecord) -> None:
        """Let a clip's pictures be used.

        Raises
        ------
        InputError
            If no consent of its subject holds today.
        """
        if not self.ledger.scopes_of(record.subject, self.day_of_use):
            raise InputError(
                f"{record.name} cannot be used: no consent of {record.subject} holds today; leave "
                f"it out, or erase it with: layermotion lab erase {self.root}"
            )

    def clip_path(self, name: str) -> Path:
        """DICOM file of a clip."""
        return self.root / "clips" / f"{name}.dcm"

    def label_keys(self) -> list[str]:
        """Keys of all frames with a label, in order."""
        return sorted(path.stem for path in (self.root / "labels").glob(FINISHED + ".png"))

    def label_path(self, key: str) -> Path:
        """Label mask of a frame."""
        return self.root / "labels" / f"{key}.png"

    def print_path(self, name: str) -> Path:
        """Print of a clip, by which copies are told."""
        return self.root / "prints" / f"{name}.npz"

    def print_paths(self) -> list[Path]:
        """List the prints of every clip that was ever here, in the order of their names."""
        return sorted((self.root / "prints").glob(FINISHED + ".npz"))

    def proposal_path(self, key: str) -> Path:
        """Label mask that weights proposed for a frame, the last one that went out."""
        return self.root / "proposals" / f"{key}.png"

    def proposals_of(self, key: str) -> list[Path]:
        """List every proposal for a frame that went out; the masks may come back in any order."""
        earlier = sorted((self.root / "proposals" / "earlier").glob(f"{key}~*.png"))
        return [path for path in (self.proposal_path(key), *earlier) if path.is_file()]

    def keep_proposal(self, key: str) -> None:
        """Put the last proposal for a frame to the earlier ones, before another goes out."""
        known = self.proposals_of(key)
        if self.proposal_path(key) in known:
            earlier = self.root / "proposals" / "earlier" / f"{key}~{len(known)}.png"
            earlier.parent.mkdir(exist_ok=True)
            self.proposal_path(key).replace(earlier)

    def clips(self) -> dict[str, ClipRecord]:
        """Every imported clip by name, in the order of the names."""
        paths = sorted((self.root / "clips").glob(FINISHED + ".json"))
        return {path.stem: self.clip(path.stem) for path in paths}

    def clip(self, name: str) -> ClipRecord:
        """One imported clip.

        Raises
        ------
        InputError
            If there is none of this name, or its record is damaged.
        """
        path = self.root / "clips" / f"{name}.json"
        if not path.is_file():
            raise InputError(
                f"This laboratory holds no clip {name}; list them with: layermotion lab clips"
            )
        try:
            entries = json.loads(path.read_text(encoding="utf-8"))
            entries["view"] = View(entries["view"]) if entries["view"] else None
            entries["review"] = Review(entries["review"])
            entries["area"] = tuple(entries["area"])
            return ClipRecord(**entries)
        except (OSError, ValueError, TypeError, KeyError) as error:
            raise InputError(
                f"The record {path.name} is damaged; import the clip again."
            ) from error

    def save(self, record: ClipRecord) -> None:
        """Write the record of a clip."""
        text = json.dumps(asdict(record), indent=2) + "\n"
        write_text(self.root / "clips" / f"{record.name}.json", text)

    def frames(self, record: ClipRecord, numbers: Iterable[int]) -> Iterator[NDArray[np.uint8]]:
        """Chosen frames of a clip, uint8 (rows, columns), in the order asked for.

        Raises
        ------
        InputError
            If no consent of its subject holds today.
        """
        self.allow(record)
        indices = list(numbers)
        if indices:
            for pixels in iter_pixels(self.clip_path(record.name), indices=indices):
                yield np.asarray(pixels, np.uint8)


def create_lab(root: Path, secret_path: Path) -> Lab:
    """Make the folder of a new laboratory, and its secret unless that exists.

    Raises
    ------
    InputError
        If the folder is one already, or the secret would lie inside it.
    """
    if (root / MARK_NAME).exists():
        raise InputError(f"{root} is a laboratory already; nothing was changed.")
    if secret_path.resolve().is_relative_to(root.resolve()):
        raise InputError(
            f"The secret {secret_path} would lie inside the data it protects; name a file "
            f"outside {root} by --secret."
        )
    secret = load_secret(secret_path) if secret_path.exists() else create_secret(secret_path)
    for name in FOLDERS:
        make_folder(root / name)
    mark = {
        "schema_version": SCHEMA_VERSION,
        "secret_check": secret.check,
        "secret": str(secret_path.resolve()),
    }
    write_text(root / MARK_NAME, json.dumps(mark, indent=2) + "\n")
    return Lab(root)


def open_lab(root: Path) -> Lab:
    """Open a laboratory's folder.

    Raises
    ------
    InputError
        If it is not one, or was made by another version.
    """
    _mark(root)
    return Lab(root)


def open_secret(lab: Lab, secret_path: Path | None = None) -> Secret:
    """Read the secret that this laboratory's pseudonyms belong to.

    Parameters
    ----------
    secret_path
        Where it lies now; where it lay when the laboratory was made if None.

    Raises
    ------
    InputError
        If it is another one.
    """
    mark = _mark(lab.root)
    secret_path = secret_path or Path(str(mark["secret"]))
    secret = load_secret(secret_path)
    if secret.check != mark["secret_check"]:
        raise InputError(
            f"{secret_path} is not the secret of {lab.root}; its pseudonyms would not fit. Name "
            f"the file that was made with the laboratory by --secret."
        )
    return secret


def _mark(root: Path) -> dict[str, object]:
    try:
        mark: dict[str, object] = json.loads((root / MARK_NAME).read_text(encoding="utf-8"))
        version = mark["schema_version"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"{root} is not the folder of a laboratory; make one with: layermotion lab init {root}"
        ) from error
    if version != SCHEMA_VERSION:
        raise InputError(
            f"{root} has the layout {version}, this version needs {SCHEMA_VERSION}; use the "
            f"version that made it."
        )
    if not {"secret", "secret_check"} <= mark.keys():
        raise InputError(
            f"{root / MARK_NAME} is damaged; restore it from the last copy of the laboratory."
        )
    return mark


def frame_key(clip: str, number: int) -> str:
    """Name of a frame in every file.

    Examples
    --------
    >>> frame_key("c-12ab", 7)
    'c-12ab-00007'
    """
    return f"{clip}-{number:0{FRAME_DIGITS}d}"


def split_key(key: str) -> tuple[str, int]:
    """Clip and number of a frame's key.

    Raises
    ------
    InputError
        If it is none.

    Examples
    --------
    >>> split_key("c-12ab-00007")
    ('c-12ab', 7)
    """
    clip, _, number = key.rpartition("-")
    if not clip or len(number) != FRAME_DIGITS or not number.isdecimal():
        raise InputError(
            f"{key} does not name a frame; keep the names that lab propose gave, such as "
            f"{frame_key('c-0123456789ab', 7)}."
        )
    return clip, int(number)
