"""The inverse variance of a block within the span of its own columns.

With U = [Z X] split by residual stratum into the basis B = [D_1 U, D_2 U, ...], where D_k keeps the
rows of stratum k, V^-1 = R^-1 - R^-1 Z P Z' R^-1 maps the span of B into itself: V^-1 B = B T.
Every product such as X' V^-1 G V^-1 H V^-1 X then needs only T and the cross-products B'B, whatever
the number of rows. Combinations of the basis are stored as their coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.blocks import Block, posterior_covariance, residual_variances
from analysis.mixed.design import Array
from analysis.mixed.result import MixedFit


@dataclass(frozen=True)
class Span:
    """Coefficients in the basis B of one block.

    Attributes
    ----------
    strata
        Residual strata present in the block; `variances` and `counts` belong to them.
    gram, inverse
        (b, b) cross-products B'B and the map T of V^-1.
    folded
        (b, b) the part of V^-1 due to the random effects, times B'B.
    random
        Coefficients of Z; `left_random`, `left_fixed` those of V^-1 Z and V^-1 X.
    reach
        Z' V^-1 X.
    """

    strata: Array
    variances: Array
    counts: Array
    gram: Array
    inverse: Array
    folded: Array
    random: Array
    left_random: Array
    left_fixed: Array
    reach: Array

    def keep(self, stratum: int, coefficients: Array) -> Array:
        """Return D_k times a combination: only the rows of the k-th present stratum."""
        width = self.gram.shape[0] // self.strata.size
        out = np.zeros_like(coefficients)
        at = slice(stratum * width, (stratum + 1) * width)
        out[at] = coefficients[at]
        return out

    def residual_trace(self, first: int, second: int) -> float:
        """Return tr(D_j V^-1 D_k V^-1)."""
        width = self.gram.shape[0] // self.strata.size
        at = slice(first * width, (first + 1) * width)
        to = slice(second * width, (second + 1) * width)
        share = float(np.sum(self.folded[at, to] * self.folded[to, at].T))
        if first == second:
            variance = self.variances[first]
            share += self.counts[first] / variance**2
            share -= 2.0 * float(np.trace(self.folded[at, at])) / variance
        return share


def span_of(fit: MixedFit, block: Block) -> Span:
    """Return the inverse variance of a block in the span of its columns."""
    design = fit.problem.design
    codes = design.strata[block.rows]
    strata = np.unique(codes)
    columns = np.column_stack([block.random, design.fixed[block.rows]])
    count, width = block.random.shape[1], columns.shape[1]
    row_variances = residual_variances(fit, block.rows)
    variances = np.array([row_variances[codes == stratum][0] for stratum in strata])

    gram = np.zeros((strata.size * width, strata.size * width))
    spread = np.zeros((strata.size * width, count))
    for k, stratum in enumerate(strata):
        part = columns[codes == stratum]
        start = k * width
        gram[start : start + width, start : start + width] = part.T @ part
        spread[start : start + count] = np.eye(count) / variances[k]
    folded = spread @ posterior_covariance(fit, block) @ spread.T @ gram
    inverse = np.diag(np.repeat(1.0 / variances, width)) - folded
    whole = np.tile(np.eye(width), (strata.size, 1))
    random, fixed = whole[:, :count], whole[:, count:]
    left_fixed = inverse @ fixed
    return Span(
        strata=strata,
        variances=variances,
        counts=np.array([np.count_nonzero(codes == stratum) for stratum in strata]),
        gram=gram,
        inverse=inverse,
        folded=folded,
        random=random,
        left_random=inverse @ random,
        left_fixed=left_fixed,
        reach=random.T @ gram @ left_fixed,
    )
