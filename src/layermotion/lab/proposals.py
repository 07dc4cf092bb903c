"""Owns model-assisted labelling: chooses the frames worth labelling and proposes their labels."""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.images import write_png
from layermotion.lab.annotations import LabelledFrame, write_coco
from layermotion.lab.checks import fill_holes, without_strays
from layermotion.lab.folder import ClipRecord, Lab, Review, frame_key, split_key
from layermotion.labels import CLASS_COUNT
from layermotion.network.picture import area_probabilities, full_size_label
from layermotion.network.segmenter import Segmenter

# All numbers are our choice. Frames looked at in one clip; neighbours in a clip are much alike.
CANDIDATES_A_CLIP = 8
# Sides of the thumbnail and of the grid of class probabilities that tell two frames apart.
THUMBNAIL_PX, LAYOUT_PX = 12, 6


@dataclass(frozen=True, eq=False)
class Candidate:
    """A frame that could be labelled.

    Parameters
    ----------
    key
        Which frame.
    pixels
        Grey frame, uint8 (rows, columns).
    label
        Label values that the model proposes, uint8 (rows, columns).
    uncertainty
        Mean entropy of the class probabilities over the image area, as a share of the largest
        possible one.
    feature
        Look and layout of the frame; alike frames lie close together.
    """

    key: str
    pixels: NDArray[np.uint8]
    label: NDArray[np.uint8]
    uncertainty: float
    feature: NDArray[np.float64]


@dataclass(frozen=True)
class Choice:
    """A chosen frame, with why: its uncertainty, and its distance to what was chosen before."""

    key: str
    uncertainty: float
    distance: float


def propose(lab: Lab, segmenter: Segmenter, count: int, out: Path) -> tuple[Choice, ...]:
    """Choose frames and write them with the model's labels, for correction in any editor.

    Writes ``images/KEY.png``, ``labels/KEY.png``, ``annotations.json`` (COCO) and ``chosen.csv``.
    What was proposed is kept in the laboratory, so that a label is known to differ from it.

    Raises
    ------
    InputError
        If no frame may be labelled, or the folder holds labels already or lies in the laboratory.
    """
    if out.resolve().is_relative_to(lab.root.resolve()):
        raise InputError(
            f"{out} lies in the laboratory; name a folder outside {lab.root} by --out."
        )
    if (out / "annotations.json").exists() or any((out / "labels").glob("*")):
        raise InputError(
            f"{out} holds labels already, which a person may have corrected; name another folder "
            f"by --out."
        )
    candidates = list(find_candidates(lab, segmenter))
    labelled = set(lab.label_keys())
    free = [c for c in candidates if c.key not in labelled]
    if not free:
        raise InputError(
            "No frame is left to label: look at the sheets of clips with a valid consent and "
            "accept them (layermotion lab accept), or import more."
        )
    choices = choose(free, [c.feature for c in candidates if c.key in labelled], count)
    by_key = {candidate.key: candidate for candidate in free}
    chosen = [by_key[choice.key] for choice in choices]
    clips = {split_key(candidate.key)[0] for candidate in chosen}
    for name in ("annotations.json", "chosen.csv"):
        lab.register.note_copies(out / name, clips)
    for candidate in chosen:
        for kind, values in (("images", candidate.pixels), ("labels", candidate.label)):
            path = out / kind / f"{candidate.key}.png"
            lab.register.note_copies(path, [split_key(candidate.key)[0]])
            write_png(path, values)
        lab.keep_proposal(candidate.key)
        write_png(lab.proposal_path(candidate.key), candidate.label)
    frames = [LabelledFrame.of(candidate.key, candidate.label) for candidate in chosen]
    write_coco(out / "annotations.json", frames, "images")
    with atomic_path(out / "chosen.csv") as temporary, temporary.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("frame", "uncertainty", "distance"))
        writer.writerows((c.key, f"{c.uncertainty:.4f}", f"{c.distance:.4f}") for c in choices)
    return choices


def find_candidates(lab: Lab, segmenter: Segmenter) -> Iterator[Candidate]:
    """Look at frames of every clip that is consented to and accepted in review."""
    consents = lab.consents()
    for record in lab.clips().values():
        if record.review is not Review.ACCEPTED or not consents.get(record.subject):
            continue
        count = min(CANDIDATES_A_CLIP, record.frames)
        numbers = np.linspace(0, record.frames - 1, count).astype(int).tolist()
        for number, pixels in zip(numbers, lab.frames(record, numbers), strict=True):
            yield look(frame_key(record.name, number), pixels, record, segmenter)


def look(
    key: str, pixels: NDArray[np.uint8], record: ClipRecord, segmenter: Segmenter
) -> Candidate:
    """Segment one frame and describe it."""
    area = record.image_area
    probabilities = area_probabilities(pixels, area, record.spacing, segmenter)
    entropy = -(probabilities * np.log(np.maximum(probabilities, 1e-12))).sum(axis=0)
    label = np.zeros_like(pixels)
    label[area.slices] = tidy(full_size_label(probabilities, area))
    image = pixels[area.slices].astype(np.float64)
    thumbnail = cv2.resize(image, (THUMBNAIL_PX, THUMBNAIL_PX), interpolation=cv2.INTER_AREA)
    thumbnail = (thumbnail - thumbnail.mean()) / max(1.0, thumbnail.std())
    layout = np.stack(
        [
            cv2.resize(p, (LAYOUT_PX, LAYOUT_PX), interpolation=cv2.INTER_AREA)
            for p in probabilities[1:]
        ]
    )
    # Both halves weigh alike, whatever their number of values.
    feature = np.concatenate(
        [thumbnail.ravel() / THUMBNAIL_PX, layout.ravel().astype(np.float64) / LAYOUT_PX]
    )
    return Candidate(key, pixels, label, float(entropy.mean() / np.log(CLASS_COUNT)), feature)


def tidy(label: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Fill holes of background and drop stray pieces: what a person would do first."""
    result = np.zeros_like(label)
    for value in range(1, CLASS_COUNT):
        kept = fill_holes(without_strays(label == value))
        result[kept & ((label == value) | (label == 0))] = value
    return result


def choose(
    candidates: list[Candidate], labelled: list[NDArray[np.float64]], count: int
) -> tuple[Choice, ...]:
    """Choose frames one at a time: uncertain, and unlike those labelled or chosen before.

    Each time the frame with the largest product of uncertainty and distance to its nearest
    neighbour among those is taken; the first of all is the most uncertain one. A frame equal to
    another is never taken.
    """
    features = np.stack([c.feature for c in candidates])  # (n, values)
    uncertainty = np.array([c.uncertainty for c in candidates])
    distance = np.full(len(candidates), np.inf)
    for feature in labelled:
        distance = np.minimum(distance, np.linalg.norm(features - feature, axis=1))
    choices: list[Choice] = []
    for _ in range(min(count, len(candidates))):
        score = uncertainty * np.where(np.isinf(distance), 1.0, distance)
        best = int(score.argmax())
        if distance[best] == 0:
            break
        choices.append(
            Choice(candidates[best].key, float(uncertainty[best]), float(distance[best]))
        )
        distance = np.minimum(distance, np.linalg.norm(features - features[best], axis=1))
    return tuple(choices)
