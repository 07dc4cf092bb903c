"""Owns handing a corrected frame to the laboratory, as a label that its consent allows."""

from dataclasses import dataclass
from pathlib import Path

from layermotion.edges.masks import mask_stack
from layermotion.errors import InputError
from layermotion.lab.annotations import LabelledFrame
from layermotion.lab.folder import frame_key, open_lab, open_secret
from layermotion.lab.importing import name_of
from layermotion.lab.labelling import store_labels
from layermotion.review.corrections import MoveEdge
from layermotion.review.place import Place


@dataclass(frozen=True)
class Laboratory:
    """Where corrected frames go.

    Parameters
    ----------
    root
        Folder of the laboratory.
    secret
        File with the secret of its pseudonyms, if it was moved.
    """

    root: Path
    secret: Path | None = None

    def hand_over(self, place: Place, frame: int, who: str) -> str:
        """Store one corrected frame as a label of the laboratory, and give its key.

        Raises
        ------
        InputError
            If no edge was placed in the frame, the clip is not in the laboratory, no consent of
            its subject holds today, or the label has a fault.
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
        lab.allow(record)
        key = frame_key(name, frame)
        label = LabelledFrame(key, mask_stack(edges[frame], analysis.clip.frame_shape))
        report = store_labels(lab, [label], who)
        if report.faults:
            raise InputError(report.faults[0].sentence)
        return key
