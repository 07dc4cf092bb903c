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
        Whether the search ended at an optimum.
    """

    variance: Array
    covariance: Array
    effects: Array
    effects_covariance: Array
    is_settled: bool


@dataclass(frozen=True, eq=False)
class _Block:
    """Rows of one subject: values, design and, for each component, which rows share a level."""

    values: Array
    design: Array
    shared: Array


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
        shared = [(own[rows][:, None] == own[rows][None, :]) for own in levels]
        shared.append(np.eye(rows.size, dtype=np.bool_))
        own = np.stack(shared).astype(np.float64)  # (components, rows, rows)
        blocks.append(_Block((values[rows] - values.mean()) / scale, design[rows], own))
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
    return MixedFit(
        variance=variance * scale**2,
        covariance=_covariance(variance, blocks, state) * scale**4,
        effects=effects,
        effects_covariance=state.bread * scale**2,
        is_settled=bool(found.success),
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
            log_determinant += float(np.linalg.slogdet(whole)[1])
            meat += block.design.T @ inverse @ block.design
            cross += block.design.T @ inverse @ block.values
            inverses.append(inverse)
        bread: Array = np.linalg.inv(meat).astype(np.float64)
        log_determinant += float(np.linalg.slogdet(meat)[1])
        return _State(inverses, log_determinant, bread, bread @ cross)


def _minus_likelihood(variance: Array, blocks: Sequence[_Block]) -> tuple[float, Array]:
    """Minus the restricted log-likelihood, up to a constant, and its gradient."""
    state = _State.of(variance, blocks)
    value, gradient = state.log_determinant, np.zeros(variance.size)
    for block, inverse in zip(blocks, state.inverses, strict=True):
        rest = inverse @ (block.values - block.design @ state.effects)  # V^-1 e
        value += float((block.values - block.design @ state.effects) @ rest)
        turned = inverse @ block.design
        projected = inverse - turned @ state.bread @ turned.T
        gradient += np.einsum("ij,cji->c", projected, block.shared)
        gradient -= np.einsum("i,cij,j->c", rest, block.shared, rest)
    return value / 2, gradient / 2


def _covariance(variance: Array, blocks: Sequence[_Block], state: _State) -> Array:
    """Inverse of the expected restricted information, over the components above zero."""
    kept = np.flatnonzero(variance > 0)
    count, fixed = kept.size, state.bread.shape[0]
    plain = np.zeros((count, count))
    cross = np.zeros((count, count, fixed, fixed))
    single = np.zeros((count, fixed, fixed))
    for block, inverse in zip(blocks, state.inverses, strict=True):
        moved = inverse @ block.shared[kept]  # V^-1 V_i, (kept, rows, rows)
        turned = inverse @ block.design
        left = np.einsum("rf,crs->cfs", block.design, moved)  # X' V^-1 V_i
        single += left @ turned
        plain += np.einsum("aij,bji->ab", moved, moved)
        right = np.einsum("bij,jf->bif", moved, turned)  # V^-1 V_j V^-1 X
        cross += np.einsum("afi,big->abfg", left, right)
    adjusted = state.bread @ single
    information = plain - 2 * np.einsum("fg,abgf->ab", state.bread, cross)
    information += np.einsum("afg,bgf->ab", adjusted, adjusted)
    covariance = np.zeros((variance.size, variance.size))
    covariance[np.ix_(kept, kept)] = np.linalg.pinv(information / 2)
    return covariance
