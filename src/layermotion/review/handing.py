"""Owns handing a corrected frame to the laboratory, as a label that its consent allows."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from layermotion.edges.boundaries import Boundaries
from layermotion.edges.masks import mask_stack
from layermotion.errors import InputError
from layermotion.images import write_png
from layermotion.lab.folder import frame_key, open_lab, open_secret
from layermotion.lab.importing import name_of
from layermotion.labels import STRUCTURES
from layermotion.review.corrections import MoveEdge
from layermotion.review.place import Place


@dataclass(frozen=True)
class Laboratory:
    """Where corrected frames go.

    Parameters
    ----------
    root, secret
        Folder of the laboratory, and the file with the secret of its pseudonyms.
    labels
        Folder for the labels, which layermotion lab label then reads.
    """

    root: Path
    secret: Path
    labels: Path

    def hand_over(self, place: Place, frame: int, today: date) -> Path:
        """Write one corrected frame as a label mask: values 0 to 5, as large as the frame.

        Raises
        ------
        InputError
            If no edge was placed in the frame, the clip is not in the laboratory, or no consent of
            its subject holds today.
        """
        analysis = place.opened.analysis
        edges = analysis.footage.edges
        if not 0 <= frame < len(edges):
            raise InputError(f"Frame {frame} is not in the clip of {len(edges)} frames.")
        steps = place.opened.steps
        if not any(isinstance(step, MoveEdge) and step.frame == frame for step in steps):
            raise InputError("No edge was placed in this frame; correct it, then hand it over.")
        lab = open_lab(self.root)
        name = name_of(place.listed.path, open_secret(lab, self.secret))
        record = lab.clips().get(name)
        if record is None:
            raise InputError(
                "The laboratory does not hold this clip; import it with layermotion lab import."
            )
        if not lab.ledger.scopes_of(record.subject, today):
            raise InputError(
                "No consent of this person holds today, so the frame stays here; record one with "
                "layermotion lab consent."
            )
        target = self.labels / f"{frame_key(name, frame)}.png"
        self.labels.mkdir(parents=True, exist_ok=True)
        write_png(target, label_of_frame(edges[frame], analysis.clip.frame_shape))
        return target


def label_of_frame(edges: Boundaries, shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Label values of one frame; a pixel that two structures share is background."""
    masks = mask_stack(edges, shape)
    values = np.arange(1, len(STRUCTURES) + 1, dtype=np.uint8)[:, None, None]
    return np.asarray((masks * values).sum(axis=0) * (masks.sum(axis=0) == 1), np.uint8)
