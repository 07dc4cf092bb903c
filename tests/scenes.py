"""Owns how the generator's tests draw: a stack with some factors set, all else from one seed."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy import Stack
from synthetic.factors import draw_factors


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
