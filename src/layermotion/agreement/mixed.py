"""Owns the fit of a linear mixed model with variance components, by restricted likelihood.

statsmodels' MixedLM fits the same model, but not reliably: in nested designs its gradient
optimisers stopped short of the optimum in a quarter of runs, once while reporting success, and
its derivative-free ones failed on singular matrices at variances of zero. Here the variances
themselves are the parameters, bounded at zero. test_agreement_reliability.py compares both.
"""

from collections.abc import Iterator, Sequence
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
    """Subjects of one structure.

    Parameters
    ----------
    cells
        Shape (subjects, cells), their numbers.
    design
        Shape (cells, fixed).
    shared
        Shape (components, cells, cells): what cells share, the residual last.
    """

    cells: NDArray[np.intp]
    design: Array
    shared: Array


@dataclass(frozen=True, eq=False)
class Layout:
    """Which rows are alike, and subjects gathered by structure, so that each is worked out once.

    A cell is a set of rows alike in design and levels, so pure repeats: their mean, their number
    and the sum of squares about it say all that the likelihood needs.

    Parameters
    ----------
    cell
        Shape (rows,), from 0.
    counts
        Shape (cells,), rows of each.
    blocks
        The subjects.
    """

    cell: NDArray[np.intp]
    counts: NDArray[np.intp]
    blocks: tuple[_Block, ...]

    @property
    def spare(self) -> int:
        """Degrees of freedom of repeats about the means of their cells."""
        return self.cell.size - self.counts.size


def layout_of(
    design: Array, subject: NDArray[np.intp], levels: Sequence[NDArray[np.intp]]
) -> Layout:
    """Lay out rows for ``fit_mixed``.

    Parameters
    ----------
    design
        Shape (rows, fixed), of full rank, with a column of ones.
    subject
        Shape (rows,), numbered from 0 without a gap; rows of different subjects are independent.
    levels
        For each component but the residual, the label of each row; levels lie within subjects.
    """
    _, first, cell, counts = np.unique(
        np.column_stack([subject, design, *levels]),
        axis=0,
        return_index=True,
        return_inverse=True,
        return_counts=True,
    )
    alike: dict[tuple[bytes, bytes], tuple[list[NDArray[np.intp]], Array, Array]] = {}
    for cells in np.split(np.arange(first.size), np.flatnonzero(np.diff(subject[first])) + 1):
        own, rows = design[first[cells]], first[cells]
        same = [labels[rows][:, None] == labels[rows] for labels in levels]
        shared = np.stack([*same, np.diag(1 / counts[cells])]).astype(np.float64)
        alike.setdefault((own.tobytes(), shared.tobytes()), ([], own, shared))[0].append(cells)
    blocks = tuple(_Block(np.stack(cells), *rest) for cells, *rest in alike.values())
    return Layout(cell, counts, blocks)


@dataclass(frozen=True, eq=False)
class _Sample:
    """Values of a layout: means of cells in each block, and the sum of squares about them."""

    layout: Layout
    means: list[Array]
    squares: float

    @staticmethod
    def of(values: Array, layout: Layout) -> "_Sample":
        means = np.bincount(layout.cell, values) / layout.counts
        squares = float(((values - means[layout.cell]) ** 2).sum())
        return _Sample(layout, [means[block.cells] for block in layout.blocks], squares)

    def blocks(self) -> Iterator[tuple[_Block, Array]]:
        """Each block with its means, shape (subjects, cells)."""
        return zip(self.layout.blocks, self.means, strict=True)


def fit_mixed(values: Array, layout: Layout) -> MixedFit:
    """Fit fixed effects and variance components by restricted maximum likelihood.

    Parameters
    ----------
    values
        Shape (rows,).
    layout
        What the rows share.
    """
    scale = float(values.std(ddof=1))
    sample = _Sample.of((values - values.mean()) / scale, layout)
    count = len(layout.blocks[0].shared)
    found = optimize.minimize(
        _minus_likelihood,
        np.full(count, 1 / count),
        args=(sample,),
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, None)] * (count - 1) + [(LEAST_RESIDUAL, None)],
        options={"maxiter": 1000, "ftol": 1e-13, "gtol": 1e-7},
    )
    variance = np.where(found.x > LEAST_SHARE * found.x.sum(), found.x, 0.0)
    variance[-1] = max(variance[-1], LEAST_RESIDUAL)
    state = _State.of(variance, sample)
    effects = state.effects * scale
    # The column of ones takes the mean back; without it the effects are differences.
    effects[0] += values.mean()
    information = _information(variance, layout, state)
    kept = np.flatnonzero(variance > 0)
    covariance = np.zeros((count, count))
    covariance[np.ix_(kept, kept)] = np.linalg.pinv(information[np.ix_(kept, kept)])
    _, gradient = _minus_likelihood(variance, sample)
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
    def of(variance: Array, sample: _Sample) -> "_State":
        inverses, log_determinant = [], 0.0
        fixed = sample.layout.blocks[0].design.shape[1]
        meat, cross = np.zeros((fixed, fixed)), np.zeros(fixed)
        for block, means in sample.blocks():
            whole = np.einsum("c,cij->ij", variance, block.shared)
            inverse: Array = np.linalg.inv(whole).astype(np.float64)
            log_determinant += len(means) * float(np.linalg.slogdet(whole)[1])
            turned = block.design.T @ inverse
            meat += len(means) * (turned @ block.design)
            cross += turned @ means.sum(axis=0)
            inverses.append(inverse)
        bread: Array = np.linalg.inv(meat).astype(np.float64)
        log_determinant += float(np.linalg.slogdet(meat)[1])
        return _State(inverses, log_determinant, bread, bread @ cross)


def _minus_likelihood(variance: Array, sample: _Sample) -> tuple[float, Array]:
    """Minus the restricted log-likelihood, up to a constant, and its gradient."""
    state = _State.of(variance, sample)
    value, gradient = state.log_determinant, np.zeros(variance.size)
    for (block, means), inverse in zip(sample.blocks(), state.inverses, strict=True):
        left = means - block.design @ state.effects  # (subjects, cells)
        rest = left @ inverse
        value += float((left * rest).sum())
        turned = inverse @ block.design
        projected = inverse - turned @ state.bread @ turned.T
        own = len(means) * projected - rest.T @ rest
        gradient += np.einsum("ij,cij->c", own, block.shared)
    spare, residual = sample.layout.spare, variance[-1]
    value += spare * np.log(residual) + sample.squares / residual
    gradient[-1] += spare / residual - sample.squares / residual**2
    return value / 2, gradient / 2


def _information(variance: Array, layout: Layout, state: _State) -> Array:
    """Give the expected restricted information of the components."""
    count, fixed = variance.size, state.bread.shape[0]
    plain = np.zeros((count, count))
    cross = np.zeros((count, count, fixed, fixed))
    single = np.zeros((count, fixed, fixed))
    for block, inverse in zip(layout.blocks, state.inverses, strict=True):
        subjects = len(block.cells)
        moved = inverse @ block.shared  # V^-1 V_i, (components, cells, cells)
        turned = inverse @ block.design
        left = np.einsum("rf,crs->cfs", block.design, moved)  # X' V^-1 V_i
        single += subjects * (left @ turned)
        plain += subjects * np.einsum("aij,bji->ab", moved, moved)
        right = np.einsum("bij,jf->bif", moved, turned)  # V^-1 V_j V^-1 X
        cross += subjects * np.einsum("afi,big->abfg", left, right)
    adjusted = state.bread @ single
    information = plain - 2 * np.einsum("fg,abgf->ab", state.bread, cross)
    information += np.einsum("afg,bgf->ab", adjusted, adjusted)
    information[-1, -1] += layout.spare / variance[-1] ** 2
    halved: Array = information / 2
    return halved
