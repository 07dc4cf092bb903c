"""Owns bringing labels into a laboratory: reads every format, checks, stores what is sound."""

import json
from collections import Counter
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from layermotion.errors import InputError
from layermotion.files import write_text
from layermotion.images import write_png
from layermotion.lab.annotations import LabelledFrame, read_coco, read_mask
from layermotion.lab.checks import SPECK_PX, Fault, check_frame, compare_with_proposal
from layermotion.lab.folder import Lab, split_key
from layermotion.lab.secret import Secret
from layermotion.lab.segmentations import read_segmentation


@dataclass(frozen=True)
class LabelReport:
    """What was found in a set of labels.

    Parameters
    ----------
    sound
        Keys of sound frames; once they are stored, of those that were.
    faults
        Every fault.
    kept
        Keys of frames whose label stayed: what came was an untouched proposal, a person had drawn.
    """

    sound: tuple[str, ...]
    faults: tuple[Fault, ...]
    kept: tuple[str, ...] = ()


@dataclass(frozen=True)
class LabelNote:
    """Who drew or corrected a label, on what day, and whether it is an untouched proposal."""

    by: str
    day: str
    is_untouched: bool


def read_labels(lab: Lab, source: Path, secret: Secret | None) -> list[LabelledFrame]:
    """Read COCO JSON, a label-mask PNG, a DICOM segmentation, or a folder of the latter two.

    Parameters
    ----------
    secret
        Finds the clip of a segmentation that refers to the scanner's own file; None where
        segmentations refer to the files here.

    Raises
    ------
    InputError
        If the source holds no labels or a frame twice.
    """
    by_uid = {record.uid: name for name, record in lab.clips().items()}

    def find_clip(uid: str) -> str | None:
        return by_uid.get(uid) or (by_uid.get(secret.replaced_uid(uid)) if secret else None)

    if source.is_dir():
        shown = (path for path in source.iterdir() if not path.name.startswith("."))
        files = sorted(path for path in shown if path.suffix.lower() in (".png", ".dcm"))
    else:
        files = [source]
    frames: list[LabelledFrame] = []
    for path in files:
        suffix = path.suffix.lower()
        if suffix == ".json":
            frames += read_coco(path)
        elif suffix == ".png":
            frames.append(read_mask(path))
        elif suffix == ".dcm":
            frames += read_segmentation(path, find_clip)
    if not frames:
        raise InputError(
            f"{source.name} holds no labels; give COCO JSON (.json), label masks (.png), DICOM "
            f"segmentations (.dcm), or its labels or annotations.json if lab propose wrote it."
        )
    twice = [key for key, count in Counter(frame.key for frame in frames).items() if count > 1]
    if twice:
        raise InputError(f"{source.name} labels {twice[0]} twice; keep one label for each frame.")
    return frames


def check_labels(lab: Lab, frames: list[LabelledFrame], as_drawn: bool = False) -> LabelReport:
    """Check every frame, also against what was proposed; nothing is written.

    Parameters
    ----------
    as_drawn
        Whether a person states that labels which differ from the proposal in a suspicious way are
        meant so.
    """
    clips = lab.clips()
    faults = {frame.key: check_frame(frame, clips) for frame in frames}
    for frame in frames:
        known = lab.proposals_of(frame.key)
        if not faults[frame.key] and not as_drawn and known:
            # It was drawn upon the one that it is most like.
            told = (compare_with_proposal(frame, read_mask(path)) for path in known)
            faults[frame.key] = min(told, key=len)
    return LabelReport(
        tuple(key for key, found in faults.items() if not found),
        tuple(fault for found in faults.values() for fault in found),
    )


def store_labels(
    lab: Lab, frames: list[LabelledFrame], by: str, as_drawn: bool = False
) -> LabelReport:
    """Store the labels of frames without a fault, and who brought them; the others are left out.

    A proposal that comes back as it went out never replaces a label that a person drew.

    Raises
    ------
    InputError
        If nobody is named, or no consent of a frame's subject holds today.
    """
    if not by.strip():
        raise InputError("A label needs to know who drew or corrected it; give --by.")
    report = check_labels(lab, frames, as_drawn)
    sound = [frame for frame in frames if frame.key in set(report.sound)]
    for frame in sound:
        lab.allow(lab.clip(split_key(frame.key)[0]))
    kept = []
    for frame in sound:
        note = LabelNote(by.strip(), lab.today.isoformat(), _is_untouched(lab, frame))
        if note.is_untouched and not read_note(lab, frame.key).is_untouched:
            kept.append(frame.key)
            continue
        # The note comes first: a label without one counts as untouched.
        write_text(_note_path(lab, frame.key), json.dumps(asdict(note)) + "\n")
        write_png(lab.label_path(frame.key), frame.label)
    stored = tuple(key for key in report.sound if key not in kept)
    return replace(report, sound=stored, kept=tuple(kept))


def read_note(lab: Lab, key: str) -> LabelNote:
    """Who brought a label, and whether it is a proposal that came back as it went out.

    A label of which nothing is known counts as untouched.

    Raises
    ------
    InputError
        If the note is damaged.
    """
    path = _note_path(lab, key)
    if not path.is_file():
        return LabelNote("", "", True)
    try:
        return LabelNote(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError) as error:
        raise InputError(f"labels/{path.name} is damaged; store the label again.") from error


def _note_path(lab: Lab, key: str) -> Path:
    return lab.label_path(key).with_suffix(".json")


def _is_untouched(lab: Lab, frame: LabelledFrame) -> bool:
    """Whether a label is what was proposed at any time, but for a speck."""
    return any(
        int((read_mask(path).label != frame.label).sum()) < SPECK_PX
        for path in lab.proposals_of(frame.key)
    )
