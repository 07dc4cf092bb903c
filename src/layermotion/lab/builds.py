"""Owns frozen versions of a data set: who is in which split, and a fingerprint of the content.

builds/NAME holds build.json, and images/KEY.png with labels/KEY.png, both cut to the image area.
A build is never changed; a withdrawal takes effect in the next one, and stops the use of this one.
"""

import hashlib
import json
import shutil
import tempfile
from collections import Counter
from dataclasses import asdict, dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.errors import InputError
from layermotion.files import write_text
from layermotion.geometry import Spacing
from layermotion.lab.annotations import LabelledFrame, read_mask, write_png
from layermotion.lab.checks import check_frame
from layermotion.lab.consent import Scope
from layermotion.lab.folder import ClipRecord, Lab, Review, split_key
from layermotion.lab.leakage import Leak, find_leaks
from layermotion.labels import Structure, View, label_of

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
    """One labelled frame of a build."""

    key: str
    subject: str
    site: str
    scanner: str
    split: Split
    view: View
    row_mm: float
    column_mm: float
    image_sha256: str
    label_sha256: str

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
        """Frames of one split."""
        return tuple(frame for frame in self.frames if frame.split is split)

    def subjects(self, split: Split | None = None) -> tuple[str, ...]:
        """Pseudonyms in the build, or in one split."""
        return tuple(sorted({f.subject for f in self.frames if split in (None, f.split)}))

    def read(self, frame: BuildFrame) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """Grey values and label values of the image area of a frame."""
        image, label = (
            cv2.imread(str(self.folder / kind / f"{frame.key}.png"), cv2.IMREAD_GRAYSCALE)
            for kind in ("images", "labels")
        )
        if image is None or label is None:
            raise InputError(f"{frame.key} of the build {self.name} cannot be read; build anew.")
        return np.asarray(image, np.uint8), np.asarray(label, np.uint8)


@dataclass(frozen=True)
class BuildReport:
    """A new build, and what stayed out of it.

    Parameters
    ----------
    without_consent
        Pseudonyms whose labelled frames stayed out.
    left_out
        How many labelled frames stayed out, for each other reason.
    """

    build: Build
    without_consent: tuple[str, ...]
    left_out: dict[str, int]


@dataclass(frozen=True, eq=False)
class _Material:
    """A frame that may enter a build, still without a split."""

    key: str
    record: ClipRecord
    view: View
    image: NDArray[np.uint8]
    label: NDArray[np.uint8]


def make_build(
    lab: Lab, name: str, held_out_share: float, held_out_sites: tuple[str, ...], today: date
) -> BuildReport:
    """Freeze what is labelled, sound, reviewed and consented to today.

    All frames of a subject are in one split. Subjects of earlier builds keep their split; of each
    site's new ones, those whose pseudonyms come first are held out until the share is reached (a
    pseudonym is as good as random).

    Parameters
    ----------
    held_out_share
        Part of each site's subjects that is held out, 0 to 1.
    held_out_sites
        Sites of which every subject is held out.

    Raises
    ------
    InputError
        If the name is taken, a split is empty, a site is unknown, or pictures leak.
    """
    target = lab.root / "builds" / name
    if not name.replace("-", "").isalnum():
        raise InputError(f"{name!r} cannot name a build; use letters, digits and hyphens.")
    if target.exists():
        raise InputError(f"There is a build {name} already; builds never change, so name another.")
    material, without_consent, left_out = _gather(lab, today)
    splits = _assign(lab, material, held_out_share, held_out_sites, today)
    by_split = {
        split: [m for m in material if splits[m.record.subject] is split] for split in Split
    }
    for split, found in by_split.items():
        if not found:
            raise InputError(
                f"No labelled frame is left for the split {split}; label frames of more subjects, "
                f"or change --held-out."
            )
    leaks = find_leaks(*([(m.key, m.image) for m in by_split[split]] for split in Split))
    if leaks:
        raise InputError(_leak_sentence(leaks))
    target.parent.mkdir(exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=f".{name}-", dir=target.parent))
    try:
        frames = tuple(_write(folder, m, splits[m.record.subject]) for m in material)
        build = Build(target, frames, _fingerprint(frames))
        write_text(folder / MANIFEST_NAME, _manifest(build, today))
        folder.chmod(0o755)
        folder.rename(target)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return BuildReport(build, without_consent, left_out)


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
            BuildFrame(**{**f, "split": Split(f["split"]), "view": View(f["view"])})
            for f in content["frames"]
        )
        stated = str(content["fingerprint"])
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise InputError(f"{folder} is no build that can be read; name one of builds/.") from error
    build = Build(folder, frames, stated)
    for frame in frames:
        for kind, digest in (("images", frame.image_sha256), ("labels", frame.label_sha256)):
            path = folder / kind / f"{frame.key}.png"
            if not path.is_file() or _digest(path) != digest:
                raise InputError(
                    f"{kind}/{path.name} of the build {build.name} was changed or removed; "
                    f"build anew."
                )
    if _fingerprint(frames) != stated:
        raise InputError(f"The list of frames of the build {build.name} was changed; build anew.")
    return build


def open_build(lab: Lab, name: str, today: date) -> Build:
    """Open a build for use: besides its files, every subject's consent must still hold.

    Raises
    ------
    InputError
        If a file was changed, or a subject withdrew or the consent ran out.
    """
    build = load_build(lab.root / "builds" / name)
    consents = lab.ledger.subjects(today)
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


def builds_with(lab: Lab, subject: str) -> dict[str, str]:
    """Name and fingerprint of every build that holds a subject."""
    return {
        path.parent.name: str(content["fingerprint"])
        for path in sorted((lab.root / "builds").glob(f"[!.]*/{MANIFEST_NAME}"))
        for content in [json.loads(path.read_text(encoding="utf-8"))]
        if any(frame["subject"] == subject for frame in content["frames"])
    }


def _gather(lab: Lab, today: date) -> tuple[list[_Material], tuple[str, ...], dict[str, int]]:
    """Labelled frames that may be used, subjects without consent, and counts of the rest."""
    clips, consents = lab.clips(), lab.ledger.subjects(today)
    without: set[str] = set()
    left_out: Counter[str] = Counter()
    material: list[_Material] = []
    for path in sorted((lab.root / "labels").glob("*.png")):
        name, number = split_key(path.stem)
        record = clips.get(name)
        if record is not None and not consents.get(record.subject):
            without.add(record.subject)
            continue
        if record is not None and record.review is not Review.ACCEPTED:
            left_out[f"review {record.review}"] += 1
            continue
        frame = read_mask(path)
        faults = check_frame(frame, clips)
        if record is None or faults:
            left_out[str(faults[0].kind)] += 1
            continue
        image = next(lab.frames(record, [number]))[record.image_area.slices]
        label = frame.label[record.image_area.slices]
        material.append(_Material(path.stem, record, _view(record, frame), image, label))
    return material, tuple(sorted(without)), dict(left_out)


def _view(record: ClipRecord, frame: LabelledFrame) -> View:
    """View as stated at import; otherwise a frame with a bladder shows the bladder view."""
    has_bladder = bool((frame.label == label_of(Structure.BLADDER)).any())
    return record.view or (View.BLADDER if has_bladder else View.ABDOMINAL_WALL)


def _assign(
    lab: Lab,
    material: list[_Material],
    share: float,
    held_out_sites: tuple[str, ...],
    today: date,
) -> dict[str, Split]:
    """Split of every subject."""
    sites: dict[str, set[str]] = {}
    for m in material:
        sites.setdefault(m.record.site, set()).add(m.record.subject)
    for site in held_out_sites:
        if site not in sites:
            raise InputError(f"No usable frame is from the site {site}; check its name.")
    earlier = _earlier_splits(lab)
    consents = lab.ledger.subjects(today)
    splits: dict[str, Split] = {}
    for site, subjects in sorted(sites.items()):
        wanted = len(subjects) if site in held_out_sites else round(share * len(subjects))
        fixed = {s: splits.get(s) or earlier.get(s) or _only_split(consents[s]) for s in subjects}
        held = sum(split is Split.HELD_OUT for split in fixed.values())
        for subject in sorted(subjects):
            split = fixed[subject]
            if split is None:
                split = Split.HELD_OUT if held < wanted else Split.TRAIN
                held += split is Split.HELD_OUT
            splits[subject] = split
        trained = sorted(s for s in subjects if splits[s] is Split.TRAIN)
        if site in held_out_sites and trained:
            raise InputError(
                f"{trained[0]} of the site {site} cannot be held out: an earlier build trained on "
                f"it, or the consent does not cover evaluation."
            )
    for m in material:
        subject = m.record.subject
        if NEEDED[splits[subject]] not in consents[subject]:
            raise InputError(
                f"The consent of {subject} no longer covers the split {splits[subject]} that it "
                f"has in earlier builds; reject its clips in review to leave it out."
            )
    return splits


def _earlier_splits(lab: Lab) -> dict[str, Split]:
    """Split of each subject of an earlier build; once trained on, always trained on."""
    splits: dict[str, Split] = {}
    for path in sorted((lab.root / "builds").glob(f"[!.]*/{MANIFEST_NAME}")):
        for frame in json.loads(path.read_text(encoding="utf-8"))["frames"]:
            splits[frame["subject"]] = Split(frame["split"])
    return splits


def _only_split(scopes: frozenset[Scope]) -> Split | None:
    """Return the split that a consent leaves, where it leaves one alone."""
    possible = [split for split, scope in NEEDED.items() if scope in scopes]
    return possible[0] if len(possible) == 1 else None


def _leak_sentence(leaks: tuple[Leak, ...]) -> str:
    shown = "; ".join(f"{leak.one} and {leak.other}" for leak in leaks[:5])
    more = f" and {len(leaks) - 5} more pairs" if len(leaks) > 5 else ""
    return (
        f"The same picture lies in both splits ({shown}{more}), as if one subject had two "
        f"identifiers; reject one clip of each pair in review, or give both one identifier."
    )


def _write(folder: Path, material: _Material, split: Split) -> BuildFrame:
    record = material.record
    digests = []
    for kind, values in (("images", material.image), ("labels", material.label)):
        path = folder / kind / f"{material.key}.png"
        write_png(path, values)
        digests.append(_digest(path))
    spacing = record.spacing
    if spacing is None:
        raise InputError(f"{material.key} has no pixel size; import its clip again with one.")
    return BuildFrame(
        material.key, record.subject, record.site, record.scanner, split, material.view,
        spacing.row_mm, spacing.column_mm, *digests,
    )  # fmt: skip


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _fingerprint(frames: tuple[BuildFrame, ...]) -> str:
    """SHA-256 over what each frame is and holds; the same content gives the same value."""
    listed = [asdict(frame) for frame in sorted(frames, key=lambda frame: frame.key)]
    return hashlib.sha256(json.dumps(listed, sort_keys=True).encode()).hexdigest()


def _manifest(build: Build, today: date) -> str:
    content = {
        "schema_version": SCHEMA_VERSION,
        "date": today.isoformat(),
        "fingerprint": build.fingerprint,
        "frames": [asdict(frame) for frame in build.frames],
    }
    return json.dumps(content, indent=1) + "\n"
