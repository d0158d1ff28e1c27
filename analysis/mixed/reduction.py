"""Sufficient statistics per group, and their reduction to the fixed effects.

With y = X b + Z u + e, var(u) = s^2 L L' and var(e) = s^2 R, everything that the likelihood needs
is

    log |R^-1/2 (Z L L' Z') R^-1/2 + I|   and   [X y]' V^-1 [X y] * s^2 .

Both follow from cross-products per finest group, by eliminating the random effects of the finest
groups, adding up within the next coarser group, eliminating those, and so on; effects that cross
the chain are carried along as ordinary columns and eliminated last. The cost of one evaluation
depends on the number of groups, not of rows (Bates et al. 2015, J Stat Softw 67(1), section 3,
gives the same penalised least squares problem for sparse matrices).

All formulas are analytic in L and R (no conjugates, no absolute values), so that they may be fed
complex numbers: derivatives of whatever follows from them are taken by the complex-step method. For
the deviance itself `backwards` is cheaper.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.sparse import csr_array

from analysis.mixed.design import Array, MixedDesign, ModelRefusedError
from analysis.mixed.grouping import Level, grouping_of
from analysis.mixed.standardise import StandardForm

# Cross-products with many crossed groups grow as cells x groups^2; beyond this they do not fit.
LARGEST_CROSS_PRODUCT = 60_000_000


@dataclass(frozen=True)
class Parents:
    """Which groups of a level belong together in the next coarser one.

    `starts` holds the first group of each parent (groups are in hierarchical order), `groups` how
    many there are.
    """

    starts: Array
    groups: int

    @cached_property
    def _codes(self) -> Array:
        counts = np.diff(self.starts, append=self.groups)
        return np.repeat(np.arange(self.starts.size), counts)

    @cached_property
    def _sums(self) -> csr_array:
        """(parents, groups) matrix with a one where a group has that parent."""
        indexes = np.arange(self.groups, dtype=np.int32)
        edges = np.append(self.starts, self.groups).astype(np.int32)
        shape = (self.starts.size, self.groups)
        return csr_array((np.ones(self.groups), indexes, edges), shape=shape)

    def weighted(self, weights: Array, rows: Array) -> Array:
        """Return (parents, k) sums of the rows (groups, k), each times its weight (groups,).

        A product with a sparse matrix is several times faster than `numpy.add.reduceat`.
        """
        matrix = copy(self._sums)
        matrix.data = weights
        return np.asarray(matrix @ rows)

    def added(self, values: Array) -> Array:
        """Return (parents, ...) sums over the groups of each parent."""
        if self.starts.size == 1:
            return values.sum(axis=0)[None]
        flat = values.reshape(self.groups, -1)
        return np.asarray(self._sums @ flat).reshape(-1, *values.shape[1:])

    def added_products(self, left: Array, right: Array) -> Array:
        """Return (parents, r, r) sums of left_g' right_g, both (groups, q, r)."""
        if self.starts.size == 1:
            width = left.shape[-1]
            return (left.reshape(-1, width).T @ right.reshape(-1, width))[None]
        return self.added(np.swapaxes(left, 1, 2) @ right)

    def of_each(self, values: Array) -> Array:
        """Return (groups, ...) the values (parents, ...) of each group's parent."""
        return values if self.starts.size == 1 else values[self._codes]


@dataclass(frozen=True)
class Statistics:
    """Cross-products of the columns [random by chain level, crossed random, X, y].

    Attributes
    ----------
    cells
        (strata, cells, d, d) cross-products per residual stratum and finest group.
    cells_added
        (strata, parents, r, r) their part without the finest random columns, added within the
        next coarser group.
    chain, crossed
        Levels, finest first.
    outers
        (cells, r * r) outer products of the one finest random column with the others; empty where
        there are several such columns or residual strata, which leave nothing to prepare.
    parents
        Per level, chain and crossed: groups and where each parent's begin.
    sizes
        Rows per residual stratum.
    columns, strata, order, row_starts
        All columns but y and the stratum of each row, in hierarchical order; the order; and the
        first row of each finest group.
    """

    cells: Array
    cells_added: Array
    outers: Array
    chain: tuple[Level, ...]
    crossed: tuple[Level, ...]
    parents: tuple[Parents, ...]
    sizes: Array
    columns: Array
    strata: Array
    order: Array
    row_starts: Array

    def level_factors(self, factors: list[Array]) -> list[Array]:
        """Return the factor of each level, chain and crossed, from those of the terms.

        All groups of a crossed level are eliminated together.
        """
        chain = [_block_diagonal([factors[term] for term in level.terms]) for level in self.chain]
        crossed = [
            np.kron(np.eye(level.groups), _block_diagonal([factors[term] for term in level.terms]))
            for level in self.crossed
        ]
        return chain + crossed

    def term_slopes(self, slopes: list[Array], factors: list[Array]) -> list[Array]:
        """Return slopes in the factor of each term from slopes in the factor of each level."""
        found = [np.zeros_like(factor) for factor in factors]
        for level, slope in zip((*self.chain, *self.crossed), slopes, strict=True):
            at = 0
            while at < slope.shape[0]:
                for term in level.terms:
                    width = factors[term].shape[0]
                    found[term] += slope[at : at + width, at : at + width]
                    at += width
        return found


def sufficient_statistics(design: MixedDesign, form: StandardForm) -> Statistics:
    """Return the cross-products of a model in standard form."""
    grouping = grouping_of(design)
    codes = [level.codes for level in grouping.chain]
    order = np.lexsort(codes)
    sorted_codes = [level[order] for level in codes]
    row_starts = _change_points(sorted_codes[0])
    starts = [
        _parent_starts(sorted_codes, index, _change_points(sorted_codes[index]))
        for index in range(len(codes))
    ]
    starts += [np.array([0]) for _ in grouping.crossed]
    group_counts = [level.groups for level in grouping.chain] + [1] * len(grouping.crossed)
    parents = tuple(
        Parents(begin, groups) for begin, groups in zip(starts, group_counts, strict=True)
    )
    columns = _columns_in_order(form, grouping.chain, grouping.crossed)[order]
    width = columns.shape[1] + 1
    strata = len(design.strata_names)
    if strata * row_starts.size * width**2 > LARGEST_CROSS_PRODUCT:
        raise ModelRefusedError(
            f"{row_starts.size} groups crossed with {width} columns do not fit in memory; "
            "make a factor with few groups a fixed effect or nest it"
        )
    cells = np.zeros((strata, row_starts.size, width, width))
    for stratum in range(strata):
        masked = columns if strata == 1 else columns * (design.strata[order] == stratum)[:, None]
        cells[stratum, :, :-1, :-1] = _cell_products(masked, row_starts)
    first = _level_width(form, grouping.chain[0])
    statistics = Statistics(
        cells=cells,
        cells_added=np.array([parents[0].added(part[:, first:, first:]) for part in cells]),
        outers=np.empty((0, 0)),
        chain=grouping.chain,
        crossed=grouping.crossed,
        parents=parents,
        sizes=np.bincount(design.strata, minlength=strata),
        columns=columns,
        strata=design.strata[order],
        order=order,
        row_starts=row_starts,
    )
    return statistics_with_response(statistics, form.response)


def statistics_with_response(statistics: Statistics, response: Array) -> Statistics:
    """Return the statistics for another standardised outcome, in the original row order."""
    outcome = response[statistics.order]
    cells, added = statistics.cells.copy(), statistics.cells_added.copy()
    for stratum in range(cells.shape[0]):
        kept = outcome if cells.shape[0] == 1 else outcome * (statistics.strata == stratum)
        with_columns = np.add.reduceat(
            statistics.columns * kept[:, None], statistics.row_starts, axis=0
        )
        cells[stratum, :, :-1, -1] = cells[stratum, :, -1, :-1] = with_columns
        cells[stratum, :, -1, -1] = np.add.reduceat(kept * outcome, statistics.row_starts)
    first = cells.shape[-1] - added.shape[-1]
    parents = statistics.parents[0]
    added[:, :, -1, :] = [parents.added(part[:, -1, first:]) for part in cells]
    added[:, :, :, -1] = added[:, :, -1, :]
    outers = statistics.outers
    if first == 1 and cells.shape[0] == 1:
        right = cells[0, :, 0, 1:]
        outers = (right[:, :, None] * right[:, None, :]).reshape(right.shape[0], -1)
    return replace(statistics, cells=cells, cells_added=added, outers=outers)


def reduce_to_fixed(
    statistics: Statistics, factors: list[Array], weights: Array
) -> tuple[complex, Array]:
    """Return log |I + V-part| and the (p + 1, p + 1) matrix [X y]' (V / s^2)^-1 [X y].

    `factors` holds the (q, q) relative factor L of each random term, `weights` the reciprocal
    relative residual variance of each stratum. The log-determinant leaves out log |R|.
    """
    log_determinant: complex = 0.0
    products = _weighted(weights, statistics.cells)
    rest = _weighted(weights, statistics.cells_added)
    levels = statistics.level_factors(factors)
    for index, (factor, parents) in enumerate(zip(levels, statistics.parents, strict=True)):
        if index:
            width = factor.shape[0]
            rest = parents.added(products[:, width:, width:])
        part, taken = _eliminate(products, _narrowed(factor), parents)
        log_determinant += part
        products = rest - taken
    return log_determinant, products[0]


def _weighted(weights: Array, products: Array) -> Array:
    """Return cross-products added over strata; the first stratum has weight one by definition."""
    total = products[0]
    for weight, part in zip(weights[1:], products[1:], strict=True):
        total = total + weight * part
    return total


def _eliminate(products: Array, factor: Array, parents: Parents) -> tuple[complex, Array]:
    """Return the log-determinant of the eliminated effects and what they take from the rest."""
    width = factor.shape[0]
    right = factor.T @ products[:, :width, width:]
    if width == 1:
        # The commonest case, an intercept, needs no matrix algebra.
        pivots = 1.0 + factor[0, 0] * factor[0, 0] * products[:, :1, :1]
        return np.sum(np.log(pivots)), parents.added_products(right, right / pivots)
    inner = factor.T @ products[:, :width, :width] @ factor + np.eye(width)
    signs, logs = np.linalg.slogdet(inner)
    log_determinant = np.sum(logs) + (1j * np.sum(np.angle(signs)) if inner.dtype == complex else 0)
    return log_determinant, parents.added_products(right, np.linalg.solve(inner, right))


def _added_outer(left: Array, right: Array, starts: Array) -> Array:
    """Return sums of the outer products left_g right_g' over runs of groups g, all as long."""
    shape = (starts.size, left.shape[0] // starts.size, left.shape[1])
    return np.swapaxes(left.reshape(shape), 1, 2) @ right.reshape(shape)


def _narrowed(factor: Array) -> Array:
    """Return a factor as real numbers when it is: a derivative moves one level at a time."""
    return factor.real if np.iscomplexobj(factor) and not np.any(factor.imag) else factor


def _block_diagonal(blocks: list[Array]) -> Array:
    if len(blocks) == 1:
        return blocks[0]
    width = sum(block.shape[0] for block in blocks)
    out = np.zeros((width, width), dtype=np.result_type(*blocks))
    at = 0
    for block in blocks:
        out[at : at + block.shape[0], at : at + block.shape[0]] = block
        at += block.shape[0]
    return out


def _change_points(codes: Array) -> Array:
    return np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]])


def _parent_starts(sorted_codes: list[Array], index: int, group_starts: Array) -> Array:
    """Return, for the groups of one level in row order, where each parent's groups begin."""
    if index + 1 == len(sorted_codes):
        return np.array([0])
    return _change_points(sorted_codes[index + 1][group_starts])


def _columns_in_order(
    form: StandardForm, chain: tuple[Level, ...], crossed: tuple[Level, ...]
) -> Array:
    parts = [form.random[term] for level in chain for term in level.terms]
    for level in crossed:
        columns = np.column_stack([form.random[term] for term in level.terms])
        indicator = np.eye(level.groups)[level.codes]
        spread = indicator[:, :, None] * columns[:, None, :]
        parts.append(spread.reshape(columns.shape[0], -1))
    return np.column_stack([*parts, form.fixed])


def _level_width(form: StandardForm, level: Level) -> int:
    return sum(form.random[term].shape[1] for term in level.terms)


def _cell_products(columns: Array, starts: Array) -> Array:
    width = columns.shape[1]
    counts = np.diff(starts, append=columns.shape[0])
    if np.all(counts == counts[0]):
        return _added_outer(columns, columns, starts)
    # Unequal groups: column by column, so that no (rows, d, d) array is ever held.
    out = np.empty((starts.size, width, width))
    for j in range(width):
        block = np.add.reduceat(columns[:, j, None] * columns[:, j:], starts, axis=0)
        out[:, j, j:] = block
        out[:, j:, j] = block
    return out
