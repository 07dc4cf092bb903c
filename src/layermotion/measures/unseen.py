"""Owns the sentence for a layer without a thickness: what was found, and what to do."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from layermotion.efforts.windows import Window
from layermotion.labels import FULL_NAMES, Structure
from layermotion.series.causes import Cause

UNSEEN_LAYER = (
    "The layer could not be found at the place of measurement in most of these frames; record "
    "again with it in view, or measure it by hand."
)
WHEN = {"rest": "at rest", "contracted": "at the effort"}
WHEN_OF_LIFT = {**WHEN, "lifted": "in the lift before it", "regained": "after it"}
FOUND = {
    Cause.ABSENT: "The {layer} was not found {where}, so it may lie outside of the picture or in a "
    "shadow; {again} with all of it in view, or measure it by hand.",
    Cause.ELSEWHERE: "The {layer} was found in the picture but not at the place of measurement "
    "{where}; choose another place with --site, or measure it by hand.",
    Cause.UNCLEAR: "The borders of the {layer} were not clear at the place of measurement {where}; "
    "{again} with clearer borders (gain, contact, angle of the probe), or measure it by hand.",
    Cause.ENDS: "The {layer} ends or is cut off at the place of measurement {where}; choose "
    "another place with --site, or measure it by hand.",
    Cause.DISPUTED: "The borders of the {layer} were found in two different places {where}, at a "
    "first look and at a second one; measure it by hand.",
    Cause.JUMPED: "The borders of the {layer} jumped from one place to another {where}; {again} "
    "with the probe held still, or measure it by hand.",
    Cause.MISCOUNTED: "There is one border more than layers have {where}, so it is not sure which "
    "is that of the {layer}; measure it by hand.",
}


@dataclass(frozen=True, eq=False)
class Unseen:
    """Why the layers of one recording have no thickness where they have none.

    Parameters
    ----------
    causes
        A ``Cause`` for every frame of each layer, shape (frames,); empty where none is known.
    is_still
        Whether the frames are stills: one, or one at rest and one contracted.
    without_site
        The reason where there is no place of measurement; else empty.
    """

    causes: Mapping[Structure, NDArray[np.int8]] = field(default_factory=dict)
    is_still: bool = False
    without_site: str = ""

    def reason(self, layer: Structure, window: Window | None) -> str:
        """Sentence on a layer in a window; in all frames where there is none.

        The most frequent cause counts.
        """
        if self.without_site:
            return self.without_site
        if layer not in self.causes:
            return UNSEEN_LAYER
        causes = self.causes[layer][window.frames if window else slice(None)]
        missing = causes[causes != Cause.GIVEN]
        if not missing.size:
            return UNSEEN_LAYER
        cause = Cause(int(np.bincount(missing).argmax()))
        again = "take the still again" if self.is_still else "record again"
        where = self._where(window, missing.size, causes.size)
        return FOUND[cause].format(layer=FULL_NAMES[layer], where=where, again=again)

    def _where(self, window: Window | None, missing: int, frames: int) -> str:
        when = WHEN[window.state] if window else ""
        if self.is_still:
            number = next((cause.size for cause in self.causes.values()), 1)
            return f"in the still {when}" if number > 1 and when else "in the still"
        return f"in {missing} of {frames} frames {when}".rstrip()
