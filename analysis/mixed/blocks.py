"""Independent blocks of rows: rows of different blocks share no random effect."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from analysis.mixed.design import Array, MixedDesign
from analysis.mixed.grouping import connected_blocks
from analysis.mixed.result import MixedFit


@dataclass(frozen=True)
class Block:
    """One independent block, in units of the data.

    Attributes
    ----------
    rows
        (m,) row numbers.
    random
        (m, q) random columns, one set per term and group.
    owners
        Per random column: (term, group number, position within the term's columns).
    """

    rows: Array
    random: Array
    owners: tuple[tuple[int, int, int], ...]


def blocks_of(design: MixedDesign) -> Iterator[Block]:
    """Yield the independent blocks in order of their first row."""
    codes = connected_blocks(design)
    order = np.argsort(codes, kind="stable")
    bounds = np.flatnonzero(np.r_[True, np.diff(codes[order]) > 0, True])
    for start, stop in itertools.pairwise(bounds):
        yield _block(design, np.sort(order[start:stop]))


def random_covariance(fit: MixedFit, block: Block) -> Array:
    """Return the (q, q) covariance of the random effects of a block."""
    out = np.zeros((len(block.owners), len(block.owners)))
    for start, term in _effect_starts(block):
        covariance = fit.components[term].covariance
        width = covariance.shape[0]
        out[start : start + width, start : start + width] = covariance
    return out


def residual_variances(fit: MixedFit, rows: Array) -> Array:
    """Return the residual variance of the given rows."""
    deviations = np.array([fit.residual_deviations[s] for s in fit.problem.design.strata_names])
    return deviations[fit.problem.design.strata[rows]] ** 2


def posterior_covariance(fit: MixedFit, block: Block) -> Array:
    """Return the (q, q) covariance of a block's random effects given data and fixed effects.

    Written as G - G Z' V^-1 Z G through the symmetric form G^1/2 (I + ...)^-1 G^1/2, which stays
    exact when a variance is zero.
    """
    half = symmetric_root(random_covariance(fit, block))
    weighted = block.random / residual_variances(fit, block.rows)[:, None]
    inner = np.eye(half.shape[0]) + half @ (block.random.T @ weighted) @ half
    return half @ np.linalg.solve(inner, half)


def _effect_starts(block: Block) -> Iterator[tuple[int, int]]:
    for index, (term, _, position) in enumerate(block.owners):
        if position == 0:
            yield index, term


def symmetric_root(covariance: Array) -> Array:
    """Return the symmetric square root of a covariance, which may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return (vectors * np.sqrt(np.clip(values, 0.0, None))) @ vectors.T


def _block(design: MixedDesign, rows: Array) -> Block:
    parts: list[Array] = []
    owners: list[tuple[int, int, int]] = []
    for index, term in enumerate(design.random):
        groups, codes = np.unique(design.codes[index][rows], return_inverse=True)
        width = len(term.columns)
        spread = np.zeros((rows.size, groups.size, width))
        spread[np.arange(rows.size), codes] = term.design[rows]
        parts.append(spread.reshape(rows.size, -1))
        owners += [(index, int(group), k) for group in groups for k in range(width)]
    return Block(rows, np.column_stack(parts), tuple(owners))
