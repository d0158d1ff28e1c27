"""The reduction to the fixed effects in real numbers, and its gradient by going back through it.

With M = L'AL + I, R = L'B and W = M^-1 R, an elimination adds log |M| to the log-determinant and
takes R'W from the rest. For a function with slope G in what is left,

    slope in M:  M^-1 + W G W'        slope in R:  -2 W G

because d(R'W) = dR'W + W'dR - W'dM W and d log |M| = tr(M^-1 dM). So one way back through the
levels gives the derivatives by all parameters for about the cost of one more value (reverse
differentiation: Griewank & Walther 2008, Evaluating Derivatives, chapter 3, from memory); complex
steps through `reduction` need one way forward for each, and are what tests compare with.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.design import Array
from analysis.mixed.reduction import Parents, Statistics


@dataclass(frozen=True)
class _Elimination:
    """One level: factor (q, q), blocks A (g, q, q) and B (g, q, r), M^-1 and W of each group."""

    factor: Array
    upper: Array
    across: Array
    inverse: Array
    solved: Array
    parents: Parents

    def slopes(self, left: Array) -> tuple[Array, Array]:
        """Return the slopes in the factor (q, q) and in the products (g, q + r, q + r).

        `left` is the slope (parents, r, r) in what the elimination left.
        """
        own = self.parents.of_each(left)
        width, rest = self.solved.shape[1:]
        if left.shape[0] == 1:
            moved = (self.solved.reshape(-1, rest) @ left[0]).reshape(self.solved.shape)
        else:
            moved = self.solved @ own
        matrix = self.inverse + moved @ np.swapaxes(self.solved, 1, 2)
        right = -2.0 * moved
        factor = self.factor
        in_factor = np.einsum("gir,gjr->ij", self.across, right)
        in_factor += 2.0 * np.sum(self.upper @ factor @ matrix, axis=0)
        in_products = np.empty((self.upper.shape[0], width + rest, width + rest))
        in_products[:, :width, :width] = factor @ matrix @ factor.T
        in_products[:, :width, width:] = 0.5 * (factor @ right)
        in_products[:, width:, :width] = np.swapaxes(in_products[:, :width, width:], 1, 2)
        in_products[:, width:, width:] = own
        return in_factor, in_products


def _eliminate(
    products: Array, factor: Array, parents: Parents
) -> tuple[_Elimination, float, Array]:
    """Return the elimination, its log-determinant, and what it takes from each parent's rest."""
    width = factor.shape[0]
    upper, across = products[:, :width, :width], products[:, :width, width:]
    right = factor.T @ across
    if width == 1:
        pivots = 1.0 + factor[0, 0] ** 2 * upper
        inverse, log_determinant = 1.0 / pivots, float(np.sum(np.log(pivots)))
        solved = inverse * right
    else:
        inverse, log_determinant = _inverses(factor.T @ upper @ factor + np.eye(width))
        solved = inverse @ right
    taken = parents.added_products(right, solved)
    return (
        _Elimination(factor, upper, across, inverse, solved, parents),
        log_determinant,
        taken,
    )


def _inverses(matrices: Array) -> tuple[Array, float]:
    """Return inverses (g, q, q) and the sum of log-determinants; no eigenvalue is below one."""
    if matrices.shape[-1] > 2:
        return np.linalg.inv(matrices), float(np.sum(np.linalg.slogdet(matrices)[1]))
    # An intercept and a slope: the closed form is ten times as fast.
    first, second, both = matrices[:, 0, 0], matrices[:, 1, 1], matrices[:, 0, 1]
    determinants = first * second - both**2
    inverses = np.empty_like(matrices)
    inverses[:, 0, 0] = second / determinants
    inverses[:, 1, 1] = first / determinants
    inverses[:, 0, 1] = inverses[:, 1, 0] = -both / determinants
    return inverses, float(np.sum(np.log(determinants)))


@dataclass(frozen=True)
class _Intercepts:
    """Finest groups with one column and one residual variance: their outer products never change.

    `pivots` (g,) are 1 + s^2 a.
    """

    scale: float
    statistics: Statistics
    pivots: Array

    @property
    def _sizes(self) -> Array:
        return self.statistics.cells[0, :, 0, 0]

    def taken(self) -> Array:
        """Return what the groups take from each parent's rest (parents, r, r)."""
        outers = self.statistics.outers
        width = self.statistics.cells_added.shape[-1]
        weights = self.scale**2 / self.pivots
        return self.statistics.parents[0].weighted(weights, outers).reshape(-1, width, width)

    def slope(self, left: Array) -> Array:
        """Return the slope in the factor (1, 1)."""
        flat = self.statistics.parents[0].of_each(left.reshape(left.shape[0], -1))
        squares = np.einsum("gk,gk->g", self.statistics.outers, flat)
        scale, pivots, sizes = self.scale, self.pivots, self._sizes
        matrix = 1.0 / pivots + (scale / pivots) ** 2 * squares
        return np.array([[np.sum(2.0 * scale * (sizes * matrix - squares / pivots))]])


@dataclass(frozen=True)
class Reduction:
    """All eliminations: the log-determinant and what is left (p + 1, p + 1)."""

    statistics: Statistics
    factors: list[Array]
    steps: list[_Elimination | _Intercepts]
    log_determinant: float
    products: Array

    def slopes(self, slope: Array) -> tuple[list[Array], Array]:
        """Return slopes in each factor (q, q) and each weight (strata,).

        They are those of the log-determinant plus a function with this slope (p + 1, p + 1) in
        what is left.
        """
        left = slope[None]
        in_levels: list[Array] = []
        in_weights = np.zeros(self.statistics.cells.shape[0])
        for step in reversed(self.steps):
            if isinstance(step, _Intercepts):
                in_levels.append(step.slope(left))
                break
            rest = left
            in_level, left = step.slopes(left)
            in_levels.append(in_level)
        else:
            if in_weights.size > 1:
                in_weights = self._weight_slopes(left, rest)
        return self.statistics.term_slopes(in_levels[::-1], self.factors), in_weights

    def _weight_slopes(self, in_products: Array, in_rest: Array) -> Array:
        own = in_products.copy()
        width = own.shape[-1] - in_rest.shape[-1]
        own[:, width:, width:] = 0.0
        in_cells = np.tensordot(self.statistics.cells, own, 3)
        return np.asarray(in_cells + np.tensordot(self.statistics.cells_added, in_rest, 3))


def reduction(statistics: Statistics, factors: list[Array], weights: Array) -> Reduction:
    """Return the reduction in real numbers; parameters as of `reduction.reduce_to_fixed`."""
    steps: list[_Elimination | _Intercepts] = []
    log_determinant, products, rest = 0.0, statistics.cells[0], statistics.cells_added[0]
    if weights.size > 1:
        products = np.tensordot(weights, statistics.cells, 1)
        rest = np.tensordot(weights, statistics.cells_added, 1)
    levels = statistics.level_factors(factors)
    for index, (factor, parents) in enumerate(zip(levels, statistics.parents, strict=True)):
        if index == 0 and statistics.outers.size:
            scale = float(factor[0, 0])
            finest = _Intercepts(scale, statistics, 1.0 + scale**2 * products[:, 0, 0])
            steps.append(finest)
            log_determinant += float(np.sum(np.log(finest.pivots)))
            products = rest - finest.taken()
            continue
        if index:
            width = factor.shape[0]
            rest = parents.added(products[:, width:, width:])
        step, part, taken = _eliminate(products, factor, parents)
        steps.append(step)
        log_determinant += part
        products = rest - taken
    return Reduction(statistics, factors, steps, log_determinant, products[0])
