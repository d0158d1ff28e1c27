"""How the grouping factors of a model hang together: a nested chain, and what crosses it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.design import Array, MixedDesign


@dataclass(frozen=True)
class Level:
    """One grouping factor: its (n,) codes, number of groups, and the terms that use it."""

    codes: Array
    groups: int
    terms: tuple[int, ...]


@dataclass(frozen=True)
class Grouping:
    """Levels of a nested chain from finest to coarsest, and the levels that cross the chain."""

    chain: tuple[Level, ...]
    crossed: tuple[Level, ...]


def grouping_of(design: MixedDesign) -> Grouping:
    """Return the longest chain found from the finest factor upwards; the rest is crossed."""
    levels = sorted(_distinct_levels(design), key=lambda level: (-level.groups, level.terms))
    chain: list[Level] = [levels[0]]
    crossed: list[Level] = []
    for level in levels[1:]:
        (chain if _is_nested(chain[-1], level) else crossed).append(level)
    return Grouping(tuple(chain), tuple(crossed))


def connected_blocks(design: MixedDesign) -> Array:
    """Return (n,) block codes: rows of different blocks share no random effect at all."""
    blocks, *others = design.codes
    while True:
        before = blocks
        for codes in others:
            # Give every row the lowest block number found in its group, both ways, until stable.
            lowest = np.full(codes.max() + 1, blocks.size)
            np.minimum.at(lowest, codes, blocks)
            merged = np.full(blocks.max() + 1, blocks.size)
            np.minimum.at(merged, blocks, lowest[codes])
            blocks = merged[blocks]
        if np.array_equal(blocks, before):
            return np.unique(blocks, return_inverse=True)[1]


def _distinct_levels(design: MixedDesign) -> list[Level]:
    """Return one level per partition of the rows; terms that share it share the level."""
    levels: list[Level] = []
    for index, (codes, labels) in enumerate(zip(design.codes, design.levels, strict=True)):
        new = Level(codes, labels.size, (index,))
        for position, level in enumerate(levels):
            if level.groups == new.groups and _is_nested(level, new):
                levels[position] = Level(level.codes, level.groups, (*level.terms, index))
                break
        else:
            levels.append(new)
    return levels


def _is_nested(finer: Level, coarser: Level) -> bool:
    coarser_group = np.empty(finer.groups, dtype=np.int64)
    coarser_group[finer.codes] = coarser.codes
    return bool(np.array_equal(coarser_group[finer.codes], coarser.codes))
