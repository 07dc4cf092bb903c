"""Owns frozen versions of a data set: who is in which split, and a fingerprint of the content.

builds/NAME holds build.json, and images/KEY.png with labels/KEY.png, both cut to the image area;
frames to train on without a label have no file there.
A build is never changed; a withdrawal takes effect in the next one, and stops the use of this one.
"""

import hashlib
import json
from dataclasses import asdict, dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.consent.ledger import Scope
from layermotion.errors import InputError
from layermotion.geometry import Spacing
from layermotion.lab.folder import Lab
from layermotion.labels import View

SCHEMA_VERSION = 1
MANIFEST_NAME = "build.json"


class Split(StrEnum):
    """What a subject's frames are for."""

    TRAIN = "train"
    HELD_OUT = "held_out"


# What a subject must have agreed to for a split.
NEEDED = {Split.TRAIN: Scope.TRAINING, Split.HELD_OUT: Scope.EVALUATION}


@dataclass(frozen=True)
class BuildFrame:
    """One frame of a build; without a label, and maybe a view, only in the training split."""

    key: str
    subject: str
    site: str
    scanner: str
    split: Split
    view: View | None
    row_mm: float
    column_mm: float
    image_sha256: str
    label_sha256: str | None

    @property
    def spacing(self) -> Spacing:
        """Size of a pixel."""
        return Spacing(self.row_mm, self.column_mm, "as imported")


@dataclass(frozen=True)
class Build:
    """A frozen version of a data set; ``folder`` holds its files."""

    folder: Path
    frames: tuple[BuildFrame, ...]
    fingerprint: str

    @property
    def name(self) -> str:
        """Name of the build."""
        return self.folder.name

    def of(self, split: Split) -> tuple[BuildFrame, ...]:
        """Labelled frames of one split."""
        return tuple(f for f in self.frames if f.split is split and f.label_sha256)

    @property
    def unlabelled(self) -> tuple[BuildFrame, ...]:
        """Frames of the training split that nobody labelled."""
        return tuple(f for f in self.frames if not f.label_sha256)

    def subjects(self, split: Split | None = None) -> tuple[str, ...]:
        """Pseudonyms in the build, or those with a label in one split."""
        return tuple(sorted({f.subject for f in (self.of(split) if split else self.frames)}))

    def image(self, frame: BuildFrame) -> NDArray[np.uint8]:
        """Grey values of the image area of a frame."""
        return self._read("images", frame)

    def label(self, frame: BuildFrame) -> NDArray[np.uint8]:
        """Label values of the image area of a labelled frame."""
        return self._read("labels", frame)

    def _read(self, kind: str, frame: BuildFrame) -> NDArray[np.uint8]:
        values = cv2.imread(str(self.folder / kind / f"{frame.key}.png"), cv2.IMREAD_GRAYSCALE)
        if values is None:
            raise InputError(f"{frame.key} of the build {self.name} cannot be read; build anew.")
        return np.asarray(values, np.uint8)


def load_build(folder: Path) -> Build:
    """Open a build and check every file against its fingerprint.

    Raises
    ------
    InputError
        If it is no build, or anything in it was changed.
    """
    try:
        content = json.loads((folder / MANIFEST_NAME).read_text(encoding="utf-8"))
        frames = tuple(
            BuildFrame(
                **f | {"split": Split(f["split"]), "view": View(f["view"]) if f["view"] else None}
            )
            for f in content["frames"]
        )
        stated = str(content["fingerprint"])
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise InputError(f"{folder} is no build that can be read; name one of builds/.") from error
    build = Build(folder, frames, stated)
    for frame in frames:
        for kind, digest in (("images", frame.image_sha256), ("labels", frame.label_sha256)):
            path = folder / kind / f"{frame.key}.png"
            if digest is None:
                continue
            if not path.is_file() or file_digest(path) != digest:
                raise InputError(
                    f"{kind}/{path.name} of the build {build.name} was changed or removed; "
                    f"build anew."
                )
    if fingerprint_of(frames) != stated:
        raise InputError(f"The list of frames of the build {build.name} was changed; build anew.")
    return build


def open_build(lab: Lab, name: str) -> Build:
    """Open a build for use: besides its files, every subject's consent must still hold.

    Raises
    ------
    InputError
        If a file was changed, or a subject withdrew or the consent ran out.
    """
    build = load_build(lab.root / "builds" / name)
    consents = lab.consents()
    ended = sorted(
        {f.subject for f in build.frames
         if NEEDED[f.split] not in consents.get(f.subject, frozenset())}
    )  # fmt: skip
    if ended:
        raise InputError(
            f"The build {name} holds {', '.join(ended)}, whose consent no longer covers it; "
            f"build anew, then train from weights that never saw them."
        )
    return build


def file_digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def fingerprint_of(frames: tuple[BuildFrame, ...]) -> str:
    """SHA-256 over what each frame is and holds; the same content gives the same value."""
    listed = [asdict(frame) for frame in sorted(frames, key=lambda frame: frame.key)]
    return hashlib.sha256(json.dumps(listed, sort_keys=True).encode()).hexdigest()


def manifest_text(build: Build, today: date) -> str:
    """Content of build.json."""
    content = {
        "schema_version": SCHEMA_VERSION,
        "date": today.isoformat(),
        "fingerprint": build.fingerprint,
        "frames": [asdict(frame) for frame in build.frames],
    }
    return json.dumps(content, indent=1) + "\n"
