"""Owns what a reliability design can tell apart: random parts, fixed effects, fitted variances."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from layermotion.agreement.estimate import Array
from layermotion.agreement.mixed import Layout, fit_mixed, layout_of

Codes = NDArray[np.intp]
# What a stated placement is told apart by, beside its subject.
PLACED_BY = ("session", "rater", "side", "placement")
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


def parts_of(readings: pd.DataFrame, subject: Codes, rater: Codes) -> Parts:
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


def _levels(readings: pd.DataFrame, subject: Codes, rater: Codes) -> dict[str, Codes]:
    """Labels of each random effect below the subject that the design can tell apart."""
    is_stated = readings["placement"] != ""
    # Where no placement is stated, each clip is one; what was read by whom and when is no matter.
    placed = [readings[name].where(is_stated, "") for name in PLACED_BY]
    kept: dict[str, Codes] = {}
    taken = [subject]
    sessions = group_codes([subject, readings["session"]])
    for name, labels in (
        ("side or task", [readings["side"], readings["task"]]),
        ("subject x rater", [rater]),
        ("session", [readings["session"]]),
        ("placement", [*placed, readings["clip"].where(~is_stated, "")]),
    ):
        codes = group_codes([subject, *labels])
        if name == "subject x rater" and _is_same(codes, sessions):
            # A rater of each session's own: told as sessions, which are error for one rater too.
            continue
        count = int(codes.max()) + 1
        # Neither the same as what is there already, nor one label for each value.
        repeats_known = any(_is_same(codes, other) for other in taken)
        if not repeats_known and count < codes.size and count > int(subject.max()) + 1:
            kept[name] = codes
            taken.append(codes)
    return kept


def group_codes(labels: Sequence[pd.Series | Codes]) -> Codes:
    """Give the combinations of labels numbers from 0, in order of appearance."""
    frame = pd.DataFrame(dict(enumerate(labels)))
    codes: Codes = frame.groupby(list(frame), sort=False).ngroup().to_numpy()
    return codes


def _fixed(readings: pd.DataFrame, rater: Codes, raters: int) -> Array:
    """Give the fixed effects: ones, each rater against the first, then sides and tasks likewise."""
    columns = [np.ones(rater.size), *((rater == r).astype(float) for r in range(1, raters))]
    for name in ("side", "task"):
        own = group_codes([readings[name]])
        for level in range(1, int(own.max()) + 1):
            tried = [*columns, (own == level).astype(float)]
            # What a rater alone measured cannot be told from the rater.
            if np.linalg.matrix_rank(np.column_stack(tried)) == len(tried):
                columns = tried
    return np.column_stack(columns)


def _is_same(one: Codes, other: Codes) -> bool:
    pairs = int(group_codes([one, other]).max())
    return pairs == int(one.max()) == int(other.max())


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
