"""Owns the source of training examples that mixes a build's frames with synthetic ones.

The synthetic share keeps a network from forgetting what the local frames do not show.
"""

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from layermotion.consent.origins import Origin
from layermotion.errors import InputError
from layermotion.geometry import ImageArea
from layermotion.lab.builds import Build, BuildFrame, Split
from layermotion.lab.folder import Lab
from layermotion.network.grid import ModelGrid
from layermotion.network.segmenter import VIEW_CLASSES
from layermotion.training.drawing import Drawn, SyntheticDraw, source_digest

# Each side of a local frame loses up to this part before it is scaled, since the image area that
# is found on a screen is never quite the same (our choice; the generator does likewise).
CUT_PART = 0.05
# Part of the draws that teach no local label of which frames without one take the place of the
# generator's: as many as there are labelled ones at the usual share of 0.75 (our choice).
UNLABELLED_PART = 1 / 3
# Part of the training subjects that is held aside to watch the training by, and the fewest subjects
# of which any is: fewer are all needed (our choice).
ASIDE_SHARE, FEWEST_SUBJECTS = 1 / 8, 4
# Decoded frames kept in memory by one process, about 0.5 MB each.
FRAMES_IN_MEMORY = 512


@dataclass(frozen=True, eq=False)
class LocalExample:
    """One training example, as ``training.data.Drawn`` asks for it."""

    image: NDArray[np.uint8]
    label: NDArray[np.uint8] | None
    view: int
    mm_per_pixel: float
    is_local: bool = True


@dataclass(frozen=True)
class MixedDraw:
    """Draws local frames of the training split, and synthetic ones for a share of the draws.

    Every subject is drawn as often as every other, however many frames it has. Some subjects of the
    split are held aside, to watch the training by; ``watched`` draws those alone. How often
    labelled frames are drawn does not depend on whether those without a label are.

    Parameters
    ----------
    build
        An opened build.
    synthetic_share
        Part of the examples that are no labelled local frames, 0 to 1.
    synthetic
        The generator.
    uses_unlabelled
        Whether frames without a label take the place of some of the generator's.
    is_watched
        Whether it draws the subjects held aside, and no others.
    """

    build: Build
    synthetic_share: float
    synthetic: SyntheticDraw = field(default_factory=SyntheticDraw)
    uses_unlabelled: bool = False
    is_watched: bool = False

    def __post_init__(self) -> None:
        if not 0 <= self.synthetic_share <= 1:
            raise InputError(
                f"A synthetic share of {self.synthetic_share:g} is not possible; give a number "
                f"from 0 to 1."
            )
        if not self.build.of(Split.TRAIN):
            raise InputError(f"The build {self.build.name} holds no frame to train on; build anew.")

    @property
    def origin(self) -> Origin:
        """What weights carry that learn from these pictures."""
        return Lab(self.build.folder.parents[1]).origin(self.build.fingerprint)

    @property
    def watched(self) -> "MixedDraw | SyntheticDraw":
        """What draws pictures to watch the training by: never those that are trained on."""
        has_aside = len(self.build.subjects(Split.TRAIN)) >= FEWEST_SUBJECTS
        return replace(self, synthetic_share=0.0, is_watched=True) if has_aside else self.synthetic

    @cached_property
    def subjects(self) -> tuple[str, ...]:
        """Pseudonyms that are drawn; the first ones of the split are held aside."""
        subjects = self.build.subjects(Split.TRAIN)
        count = 0 if len(subjects) < FEWEST_SUBJECTS else max(1, round(ASIDE_SHARE * len(subjects)))
        return subjects[:count] if self.is_watched else subjects[count:]

    @property
    def source(self) -> str:
        """Name of the pictures; the same name means the same pictures for the same seed.

        It ends up in the card of the weights, so that those trained on a build can be found.
        """
        return (
            f"build {self.build.fingerprint} ({__name__} {source_digest(__name__)}), "
            f"share {self.synthetic_share:g} of {self.synthetic.source}"
            + (f", {UNLABELLED_PART:.3f} of it without a label" if self.unlabelled else "")
        )

    @cached_property
    def labelled(self) -> tuple[BuildFrame, ...]:
        """Labelled frames that are drawn."""
        return tuple(f for f in self.build.of(Split.TRAIN) if f.subject in self.subjects)

    @cached_property
    def unlabelled(self) -> tuple[BuildFrame, ...]:
        """Frames without a label that are drawn: none of a subject held aside."""
        aside = set(self.build.subjects(Split.TRAIN)) - set(self.subjects)
        usable = self.uses_unlabelled and not self.is_watched
        return tuple(f for f in self.build.unlabelled if usable and f.subject not in aside)

    def __call__(self, rng: np.random.Generator, size_px: int) -> Drawn:
        """Draw one example of ``size_px`` rows."""
        chance = rng.random()
        if chance < UNLABELLED_PART * self.synthetic_share and self.unlabelled:
            frames = self.unlabelled
        elif chance < self.synthetic_share:
            return self.synthetic(rng, size_px)
        else:
            frames = self.labelled
        subjects = sorted({f.subject for f in frames})
        subject = subjects[int(rng.integers(len(subjects)))]
        own = [f for f in frames if f.subject == subject]
        frame = own[int(rng.integers(len(own)))]
        image, label = _read(self.build, frame)
        rows, columns = image.shape
        top, bottom = (rng.uniform(0, CUT_PART, 2) * rows).astype(int)
        left, right = (rng.uniform(0, CUT_PART, 2) * columns).astype(int)
        area = ImageArea(int(top), int(left), int(rows - top - bottom), int(columns - left - right))
        return fit_example(frame, image, label, area, size_px)


def fit_example(
    frame: BuildFrame,
    image: NDArray[np.uint8],
    label: NDArray[np.uint8] | None,
    area: ImageArea,
    size_px: int,
) -> LocalExample:
    """Scale a part of a frame and its label onto the model input, as measuring does."""
    grid = ModelGrid.for_area(area, frame.spacing, size_px)
    fitted = None
    if label is not None:
        fitted = np.zeros(grid.shape, np.uint8)
        fitted[grid.slices] = cv2.resize(
            label[area.slices], (grid.columns, grid.rows), interpolation=cv2.INTER_NEAREST_EXACT
        )
    spacing_mm = grid.mm_per_pixel
    if spacing_mm is None:
        raise InputError(f"{frame.key} has no pixel size; import its clip again with one.")
    return LocalExample(
        grid.to_model(image), fitted, VIEW_CLASSES.index(frame.view), float(spacing_mm)
    )


@lru_cache(maxsize=FRAMES_IN_MEMORY)
def _read(build: Build, frame: BuildFrame) -> tuple[NDArray[np.uint8], NDArray[np.uint8] | None]:
    return build.image(frame), build.label(frame) if frame.label_sha256 else None
