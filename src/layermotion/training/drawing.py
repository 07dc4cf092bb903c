"""Owns what draws training pictures: the generator with its factors, and the names of sources."""

import hashlib
import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

# Module whose pictures are drawn.
GENERATOR = "layermotion_synthetic.dataset"


class Drawn(Protocol):
    """One image, as ``layermotion_synthetic.dataset.Example`` gives it with a label."""

    @property
    def image(self) -> NDArray[np.uint8]:
        """Grey image, shape (rows, columns)."""

    @property
    def label(self) -> NDArray[np.uint8] | None:
        """Class of each pixel, same shape; None where nobody labelled it."""

    @property
    def view(self) -> int:
        """Position in ``layermotion.network.segmenter.VIEW_CLASSES``."""

    @property
    def mm_per_pixel(self) -> float:
        """Height of one pixel, mm."""

    @property
    def is_local(self) -> bool:
        """Whether it comes from a laboratory, not from the generator."""


Draw = Callable[[np.random.Generator, int], Drawn]


@dataclass(frozen=True)
class SyntheticDraw:
    """Draws one picture of the generator, with some factors made weaker or stronger.

    Parameters
    ----------
    factors
        Strength by name, as multiple of what is drawn otherwise; see ``TrainSettings.factors``.
    """

    factors: Mapping[str, float] = field(default_factory=dict)

    @property
    def source(self) -> str:
        """Name of the pictures; the same name means the same pictures for the same seed."""
        changed = "".join(f", {name} x {s:g}" for name, s in sorted(self.factors.items()))
        return f"{GENERATOR}.draw_example {source_digest(GENERATOR)}{changed}"

    def __call__(self, rng: np.random.Generator, size_px: int) -> Drawn:
        """Draw one example of ``size_px`` rows."""
        from layermotion_synthetic.dataset import draw_example
        from layermotion_synthetic.factors import draw_factors

        if not self.factors:
            return draw_example(rng, size_px)
        # From a stream beside the picture's own, so that all that is not named stays as it was.
        drawn = draw_factors(rng.spawn(1)[0])
        forced = {name: strength * getattr(drawn, name) for name, strength in self.factors.items()}
        return draw_example(rng, size_px, forced)


def source_name(draw: Draw) -> str:
    """Name the source of the images: what it states, else its function and the code around it."""
    stated = getattr(draw, "source", None)
    return stated or f"{draw.__module__}.{draw.__qualname__} {source_digest(draw.__module__)}"


def source_digest(module_name: str) -> str:
    """Return 12 digits that change with the code of a module and of its package, if it has one."""
    module = importlib.import_module(module_name)
    file = Path(str(module.__file__))
    files = sorted(file.parent.glob("*.py")) if module.__package__ else [file]
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:12]
