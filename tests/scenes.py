"""Owns how the generator's tests draw: a stack with some factors set, all else from one seed."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from layermotion.labels import View
from layermotion_synthetic.anatomy import Stack
from layermotion_synthetic.dataset import draw_example
from layermotion_synthetic.factors import draw_factors


def seeded(seed: int) -> np.random.Generator:
    """Random numbers of one seed."""
    return np.random.default_rng(seed)


def draw_with(draw: Callable[..., Stack], seed: int, **forced: float) -> Stack:
    """Stack of one kind with all factors drawn but those given."""
    rng = seeded(seed)
    return draw(rng, draw_factors(rng, forced))


def profile(stack: Stack, name: str) -> NDArray[np.float64]:
    """Thickness of one layer along the stack, mm."""
    return stack.layers[stack.index(name)].thickness_mm


class _Asked(Exception):
    """Ends an example once it is known what it would show."""


@cache
def view_of_example(seed: int) -> View | None:
    """View of the example of one seed, found without drawing the picture."""

    def ask(rng: np.random.Generator, view: View | None, forced: object) -> None:
        raise _Asked(view)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("layermotion_synthetic.dataset.draw_scene", ask)
        try:
            draw_example(seeded(seed), 32)
        except _Asked as asked:
            view: View | None = asked.args[0]
            return view
    return None  # a menu in place of a picture
