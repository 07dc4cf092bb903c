"""Owns bringing labels into a laboratory: reads every format, checks, stores what is sound."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from layermotion.errors import InputError
from layermotion.images import write_png
from layermotion.lab.annotations import LabelledFrame, read_coco, read_mask
from layermotion.lab.checks import Fault, check_frame
from layermotion.lab.folder import Lab
from layermotion.lab.secret import Secret
from layermotion.lab.segmentations import read_segmentation


@dataclass(frozen=True)
class LabelReport:
    """What was found in a set of labels: the keys of sound frames, and every fault."""

    sound: tuple[str, ...]
    faults: tuple[Fault, ...]


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
        files = sorted(p for p in source.iterdir() if p.suffix.lower() in (".png", ".dcm"))
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
            f"{source.name} holds no labels; give COCO JSON (.json), label masks (.png) or DICOM "
            f"segmentations (.dcm)."
        )
    twice = [key for key, count in Counter(frame.key for frame in frames).items() if count > 1]
    if twice:
        raise InputError(f"{source.name} labels {twice[0]} twice; keep one label for each frame.")
    return frames


def check_labels(lab: Lab, frames: list[LabelledFrame]) -> LabelReport:
    """Check every frame; nothing is written."""
    clips = lab.clips()
    faults = {frame.key: check_frame(frame, clips) for frame in frames}
    return LabelReport(
        tuple(key for key, found in faults.items() if not found),
        tuple(fault for found in faults.values() for fault in found),
    )


def store_labels(lab: Lab, frames: list[LabelledFrame]) -> LabelReport:
    """Store the labels of frames without a fault; the others are left out."""
    report = check_labels(lab, frames)
    sound = set(report.sound)
    for frame in frames:
        if frame.key in sound:
            write_png(lab.label_path(frame.key), frame.label)
    return report
