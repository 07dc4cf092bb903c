"""Owns what a reliability design can tell apart: random parts, fixed effects, fitted variances."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layermotion.agreement.estimate import Array, codes_of
from layermotion.agreement.mixed import Layout, fit_mixed, layout_of
from layermotion.agreement.readings import Reading

# What differs in truth, and what is error.
TRUE_PARTS = ("subject", "side or task")
ERROR_PARTS = ("rater", "subject x rater", "session", "placement", "residual")


@dataclass(frozen=True, eq=False)
class Parts:
    """What the model takes apart: names of the random parts, residual last, and their layout."""

    names: tuple[str, ...]
    layout: Layout
    raters: int


@dataclass(frozen=True, eq=False)
class Fit:
    """Variances by name, covariance of those that the model fitted, and the raters' part.

    ``rater_square`` is the mean square of the raters' effects, which holds ``rater_noise`` beside
    their variance; both are zero with one rater.
    """

    variance: dict[str, float]
    covariance: dict[tuple[str, str], float]
    is_settled: bool
    rater_square: float = 0.0
    rater_noise: float = 0.0
    raters: int = 1


def parts_of(
    readings: Sequence[Reading], subject: NDArray[np.intp], rater: NDArray[np.intp]
) -> Parts:
    """Find the random parts and fixed effects that a design can tell apart.

    Parameters
    ----------
    subject, rater
        Shape (readings,), numbered from 0 without a gap.
    """
    raters = int(rater.max()) + 1
    levels = _levels(readings, subject, rater)
    layout = layout_of(_fixed(readings, rater, raters), subject, [subject, *levels.values()])
    return Parts(("subject", *levels, "residual"), layout, raters)


def _levels(
    readings: Sequence[Reading], subject: NDArray[np.intp], rater: NDArray[np.intp]
) -> dict[str, NDArray[np.intp]]:
    """Labels of each random effect below the subject that the design can tell apart."""

    def coded(labels: Iterable[Sequence[object]]) -> NDArray[np.intp]:
        return codes_of(["\0".join(map(str, label)) for label in labels])

    offered = {
        "side or task": coded((r.subject, r.side, r.task) for r in readings),
        "subject x rater": coded(zip(subject, rater, strict=True)),
        "session": coded((r.subject, r.session) for r in readings),
        "placement": coded(_placement(r) for r in readings),
    }
    kept: dict[str, NDArray[np.intp]] = {}
    taken = [subject]
    for name, codes in offered.items():
        count = int(codes.max()) + 1
        # Neither the same as what is there already, nor one label for each value.
        repeats_known = any(_is_same(codes, other) for other in taken)
        if not repeats_known and count < codes.size and count > int(subject.max()) + 1:
            kept[name] = codes
            taken.append(codes)
    return kept


def _placement(reading: Reading) -> tuple[str, ...]:
    if reading.placement:
        own = (reading.session, reading.rater, reading.side, reading.placement)
        return (reading.subject, *own)
    return (reading.subject, "clip", reading.clip) if reading.clip else ()


def _fixed(readings: Sequence[Reading], rater: NDArray[np.intp], raters: int) -> Array:
    """Give the fixed effects: ones, each rater against the first, then sides and tasks likewise."""
    columns = [np.ones(rater.size), *((rater == r).astype(float) for r in range(1, raters))]
    for name in ("side", "task"):
        own = codes_of([str(getattr(reading, name)) for reading in readings])
        for level in range(1, int(own.max()) + 1):
            tried = [*columns, (own == level).astype(float)]
            # What a rater alone measured cannot be told from the rater.
            if np.linalg.matrix_rank(np.column_stack(tried)) == len(tried):
                columns = tried
    return np.column_stack(columns)


def _is_same(one: NDArray[np.intp], other: NDArray[np.intp]) -> bool:
    pairs = len(set(zip(one.tolist(), other.tolist(), strict=True)))
    return pairs == int(one.max()) + 1 == int(other.max()) + 1


def fit_components(values: Array, parts: Parts) -> Fit:
    """Fit the variance of each part; that of the raters from their fixed effects less its error."""
    fit = fit_mixed(values, parts.layout)
    names, raters = parts.names, parts.raters
    variance = dict(zip(names, fit.variance.tolist(), strict=True))
    covariance = {
        (one, other): float(fit.covariance[i, j])
        for i, one in enumerate(names)
        for j, other in enumerate(names)
    }
    square = noise = 0.0
    if raters > 1:
        # Effects of all raters about their mean, from the effects against the first one.
        about = np.eye(raters) - 1 / raters
        effects = np.concatenate([[0.0], fit.effects[1:raters]])
        square = float(((about @ effects) ** 2).sum()) / (raters - 1)
        error = np.zeros((raters, raters))
        error[1:, 1:] = fit.effects_covariance[1:raters, 1:raters]
        noise = float(np.trace(about @ error @ about.T)) / (raters - 1)
        variance["rater"] = max(0.0, square - noise)
    return Fit(variance, covariance, fit.is_settled, square, noise, raters)
