"""Simulates how often the intervals of means and differences of repeats hold the truth.

Usage: python scripts/coverage.py [--trials N]

Repeats vary by 0.5 to 4 times what is usual for their measure. The measuring error of one repeat is
a share of the usual spread, and is the same in all repeats of a visit (shared) or each repeat has
its own. The truth is the mean that endless repeats, measured without error, would have.
"""

from __future__ import annotations

import argparse

import numpy as np
from numpy.typing import NDArray

from layermotion.measures.repeats import Agreement, Certainty, half_of_difference
from layermotion.normal import Z95

COUNTS = (2, 3, 5)
SPREADS = (0.5, 1.0, 2.0, 4.0)
ERRORS = (0.1, 0.3, 0.5)


def draw_visit(
    rng: np.random.Generator, count: int, spread: float, error: float, *, is_shared: bool
) -> tuple[NDArray[np.float64], Certainty]:
    """Draw the repeats of one visit about a truth of 0, in usual spreads."""
    errors = rng.normal(0, error, 1 if is_shared else count)
    values = rng.normal(0, spread, count) + errors
    return values, Certainty.of(values.tolist(), Z95 * error)


def cover_mean(trials: int, count: int, spread: float, error: float, *, is_shared: bool) -> float:
    """Share of the means that are given whose interval holds the truth."""
    rng = np.random.default_rng([count, round(10 * spread), round(10 * error), is_shared])
    hits = given = 0
    for _ in range(trials):
        values, certainty = draw_visit(rng, count, spread, error, is_shared=is_shared)
        if certainty.agreement(1.0) is not Agreement.NOT_ONE:
            given += 1
            hits += abs(float(values.mean())) <= certainty.half
    return hits / given


def cover_difference(
    trials: int, count: int, spread: float, error: float, *, is_shared: bool
) -> float:
    """Share of the differences of two visits without a change whose interval holds zero."""
    rng = np.random.default_rng([count, round(10 * spread), round(10 * error), is_shared, 2])
    hits = 0
    for _ in range(trials):
        (one, first), (two, second) = (
            draw_visit(rng, count, spread, error, is_shared=is_shared) for _ in range(2)
        )
        hits += abs(float(one.mean() - two.mean())) <= half_of_difference(first, second)
    return hits / trials


def main() -> None:
    """Print both tables and the range of each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=4_000)
    trials = parser.parse_args().trials
    for title, cover in (("mean", cover_mean), ("difference", cover_difference)):
        for is_shared in (True, False):
            print(f"\n{title}, measuring error {'shared' if is_shared else 'of each repeat'}, %")
            print(f"{'repeats':>8}{'spread':>8}" + "".join(f"{f'error {e:g}':>11}" for e in ERRORS))
            every = []
            for count in COUNTS:
                for spread in SPREADS:
                    shares = [cover(trials, count, spread, e, is_shared=is_shared) for e in ERRORS]
                    every += shares
                    cells = "".join(f"{100 * share:11.1f}" for share in shares)
                    print(f"{count:8}{spread:8g}{cells}")
            print(f"{'all':>8}: {100 * min(every):.1f} to {100 * max(every):.1f}")


if __name__ == "__main__":
    main()
