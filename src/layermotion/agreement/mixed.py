"""Owns the fit of a linear mixed model with variance components, by restricted likelihood.

statsmodels' MixedLM fits the same model, but not reliably: in nested designs its gradient
optimisers stopped short of the optimum in a quarter of runs, once while reporting success, and
its derivative-free ones failed on singular matrices at variances of zero. Here the variances
themselves are the parameters, bounded at zero. test_agreement_reliability.py compares both.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from layermotion.agreement.estimate import Array

# A component below this share of the whole variance counts as none (our choice).
LEAST_SHARE = 1e-5
# Below this the likelihood is not searched: a residual of zero has no likelihood (our choice).
LEAST_RESIDUAL = 1e-8
# The search has settled where a step to the optimum would raise the log-likelihood by less than
# this, and no component at zero pulls upwards by more standard errors than this (our choice).
LEAST_STEP = 1e-3
LEAST_PULL = 0.05


@dataclass(frozen=True, eq=False)
class MixedFit:
    """Result of a fit.

    Parameters
    ----------
    variance
        Shape (components,), in the order given, the residual last.
    covariance
        Shape (components, components): of the variances; zero where a variance is zero.
    effects, effects_covariance
        Fixed effects, shape (fixed,) and (fixed, fixed).
    is_settled
        Whether the search ended at an optimum, by the gradient there.
    """

    variance: Array
    covariance: Array
    effects: Array
    effects_covariance: Array
    is_settled: bool


@dataclass(frozen=True, eq=False)
class _Block:
    """Subjects of one structure: means of their cells, design, what cells share by component.

    A cell is a set of rows alike in design and levels, so pure repeats: their mean, their number
    and the sum of squares about it say all that the likelihood needs.

    Parameters
    ----------
    values
        Shape (subjects, cells).
    design
        Shape (cells, fixed).
    shared
        Shape (components, cells, cells), the residual last.
    spare, squares
        Degrees of freedom and sum of squares of repeats about the means of their cells.
    """

    values: Array
    design: Array
    shared: Array
    spare: int
    squares: float

    @property
    def subjects(self) -> int:
        """How many there are."""
        return len(self.values)

    @staticmethod
    def of(values: Array, design: Array, levels: Array) -> "_Block":
        """Gather rows of one subject; ``levels`` of shape (components less the residual, rows)."""
        keys = np.column_stack([design, levels.T])
        _, first, cell = np.unique(keys, axis=0, return_index=True, return_inverse=True)
        counts = np.bincount(cell)
        means = np.bincount(cell, values) / counts
        shared = [own[first][:, None] == own[first][None, :] for own in levels]
        return _Block(
            means[None],
            design[first],
            np.stack([*shared, np.diag(1 / counts)]).astype(np.float64),
            int(values.size - counts.size),
            float(((values - means[cell]) ** 2).sum()),
        )

    @staticmethod
    def together(blocks: "Sequence[_Block]") -> "list[_Block]":
        """Gather subjects of the same structure, so that it is worked out once."""
        alike: dict[tuple[bytes, bytes], list[_Block]] = {}
        for block in blocks:
            alike.setdefault((block.design.tobytes(), block.shared.tobytes()), []).append(block)
        return [
            _Block(
                np.concatenate([block.values for block in own]),
                own[0].design,
                own[0].shared,
                sum(block.spare for block in own),
                sum(block.squares for block in own),
            )
            for own in alike.values()
        ]


def fit_mixed(
    values: Array,
    design: Array,
    subject: NDArray[np.intp],
    levels: Sequence[NDArray[np.intp]],
) -> MixedFit:
    """Fit fixed effects and variance components by restricted maximum likelihood.

    Parameters
    ----------
    values
        Shape (rows,).
    design
        Shape (rows, fixed), of full rank, with a column of ones.
    subject
        Shape (rows,), numbered from 0 without a gap; rows of different subjects are independent.
    levels
        For each component but the residual, the label of each row; levels lie within subjects.
    """
    scale = float(values.std(ddof=1))
    blocks = []
    for person in range(int(subject.max()) + 1):
        rows = np.flatnonzero(subject == person)
        own = np.stack([labels[rows] for labels in levels]).astype(np.float64)
        blocks.append(_Block.of((values[rows] - values.mean()) / scale, design[rows], own))
    blocks = _Block.together(blocks)
    count = len(levels) + 1
    found = optimize.minimize(
        _minus_likelihood,
        np.full(count, 1 / count),
        args=(blocks,),
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, None)] * (count - 1) + [(LEAST_RESIDUAL, None)],
        options={"maxiter": 1000, "ftol": 1e-13, "gtol": 1e-7},
    )
    variance = np.where(found.x > LEAST_SHARE * found.x.sum(), found.x, 0.0)
    variance[-1] = max(variance[-1], LEAST_RESIDUAL)
    state = _State.of(variance, blocks)
    effects = state.effects * scale
    # The column of ones takes the mean back; without it the effects are differences.
    effects[0] += values.mean()
    information = _information(variance, blocks, state)
    kept = np.flatnonzero(variance > 0)
    covariance = np.zeros((count, count))
    covariance[np.ix_(kept, kept)] = np.linalg.pinv(information[np.ix_(kept, kept)])
    _, gradient = _minus_likelihood(variance, blocks)
    step = float(gradient @ covariance @ gradient) / 2
    pull = (-gradient / np.sqrt(np.diag(information)))[variance == 0]
    return MixedFit(
        variance=variance * scale**2,
        covariance=covariance * scale**4,
        effects=effects,
        effects_covariance=state.bread * scale**2,
        is_settled=step < LEAST_STEP and bool((pull < LEAST_PULL).all()),
    )


@dataclass(frozen=True, eq=False)
class _State:
    """Inverse covariance of each block, and the fixed effects that follow from it."""

    inverses: list[Array]
    log_determinant: float
    bread: Array
    effects: Array

    @staticmethod
    def of(variance: Array, blocks: Sequence[_Block]) -> "_State":
        inverses, log_determinant = [], 0.0
        fixed = blocks[0].design.shape[1]
        meat, cross = np.zeros((fixed, fixed)), np.zeros(fixed)
        for block in blocks:
            whole = np.tensordot(variance, block.shared, axes=1)
            inverse: Array = np.linalg.inv(whole).astype(np.float64)
            log_determinant += block.subjects * float(np.linalg.slogdet(whole)[1])
            meat += block.subjects * (block.design.T @ inverse @ block.design)
            cross += block.design.T @ inverse @ block.values.sum(axis=0)
            inverses.append(inverse)
        bread: Array = np.linalg.inv(meat).astype(np.float64)
        log_determinant += float(np.linalg.slogdet(meat)[1])
        return _State(inverses, log_determinant, bread, bread @ cross)


def _minus_likelihood(variance: Array, blocks: Sequence[_Block]) -> tuple[float, Array]:
    """Minus the restricted log-likelihood, up to a constant, and its gradient."""
    state = _State.of(variance, blocks)
    value, gradient = state.log_determinant, np.zeros(variance.size)
    for block, inverse in zip(blocks, state.inverses, strict=True):
        left = block.values - block.design @ state.effects  # (subjects, cells)
        rest = left @ inverse
        value += float((left * rest).sum())
        turned = inverse @ block.design
        projected = inverse - turned @ state.bread @ turned.T
        products = rest.T @ rest
        own = block.subjects * projected - products
        gradient += np.einsum("ij,cij->c", own, block.shared)
    spare, squares = _within_cells(blocks)
    residual = variance[-1]
    value += spare * np.log(residual) + squares / residual
    gradient[-1] += spare / residual - squares / residual**2
    return value / 2, gradient / 2


def _within_cells(blocks: Sequence[_Block]) -> tuple[int, float]:
    """Degrees of freedom and sum of squares of repeats about the means of their cells."""
    return sum(block.spare for block in blocks), sum(block.squares for block in blocks)


def _information(variance: Array, blocks: Sequence[_Block], state: _State) -> Array:
    """Give the expected restricted information of the components."""
    count, fixed = variance.size, state.bread.shape[0]
    plain = np.zeros((count, count))
    cross = np.zeros((count, count, fixed, fixed))
    single = np.zeros((count, fixed, fixed))
    for block, inverse in zip(blocks, state.inverses, strict=True):
        moved = inverse @ block.shared  # V^-1 V_i, (components, cells, cells)
        turned = inverse @ block.design
        left = np.einsum("rf,crs->cfs", block.design, moved)  # X' V^-1 V_i
        single += block.subjects * (left @ turned)
        plain += block.subjects * np.einsum("aij,bji->ab", moved, moved)
        right = np.einsum("bij,jf->bif", moved, turned)  # V^-1 V_j V^-1 X
        cross += block.subjects * np.einsum("afi,big->abfg", left, right)
    adjusted = state.bread @ single
    information = plain - 2 * np.einsum("fg,abgf->ab", state.bread, cross)
    information += np.einsum("afg,bgf->ab", adjusted, adjusted)
    information[-1, -1] += _within_cells(blocks)[0] / variance[-1] ** 2
    halved: Array = information / 2
    return halved
