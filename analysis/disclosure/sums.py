"""Counts that add up, and what a reader can work out of those that are shown."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

_SAME = 1e-8


@dataclass(frozen=True)
class Sum:
    """A total that is the sum of its parts; both are names of counts."""

    total: str
    parts: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """All counts of the sum."""
        return (self.total, *self.parts)


def check_sums(counts: Mapping[str, int], sums: Iterable[Sum]) -> None:
    """Look whether every sum holds.

    Raises
    ------
    ValueError
        A sum names an unknown count, or its parts give another total: then hiding by it would
        protect nothing.
    """
    for item in sums:
        if unknown := [name for name in item.names if name not in counts]:
            raise ValueError(f"the sum of {item.total!r} names unknown counts: {unknown}")
        found = sum(counts[part] for part in item.parts)
        if found != counts[item.total]:
            raise ValueError(
                f"{item.total!r} is {counts[item.total]}, but its parts {item.parts} give {found}"
            )


def equations(sums: Sequence[Sum], unknown: Sequence[str]) -> np.ndarray:
    """Return the coefficients of the unknown counts in `total - parts = 0`, one row per sum.

    Sums without an unknown count say nothing and give no row.
    """
    place = {name: column for column, name in enumerate(unknown)}
    rows = []
    for item in sums:
        if any(name in place for name in item.names):
            row = np.zeros(len(unknown))
            for name, sign in [(item.total, 1.0), *((part, -1.0) for part in item.parts)]:
                if name in place:
                    row[place[name]] += sign
            rows.append(row)
    return np.array(rows).reshape(len(rows), len(unknown))


def recoverable(sums: Sequence[Sum], unknown: Collection[str]) -> set[str]:
    """Return the unknown counts that follow exactly from the others by adding and subtracting.

    A count is free exactly when some direction of the null space of the equations moves it.
    """
    names = sorted(unknown)
    if not names:
        return set()
    matrix = equations(sums, names)
    if not len(matrix):
        return set()
    _, values, directions = np.linalg.svd(matrix, full_matrices=True)
    rank = int((values > _SAME * max(matrix.shape) * max(values.max(), 1.0)).sum())
    free = directions[rank:]
    moves = np.abs(free).max(axis=0) if len(free) else np.zeros(len(names))
    return {name for name, move in zip(names, moves, strict=True) if move < _SAME}


def largest_possible(
    counts: Mapping[str, int], sums: Sequence[Sum], unknown: Collection[str], name: str
) -> float:
    """Return the largest value that a reader must still think possible for an unknown count.

    The reader knows all other counts, the sums, and that no count is negative (linear program).
    """
    from scipy.optimize import linprog

    names = sorted(unknown)
    matrix = equations(sums, names)
    if not len(matrix):
        return float("inf")
    known = matrix @ np.array([counts[item] for item in names], dtype=float)
    aim = np.zeros(len(names))
    aim[names.index(name)] = -1.0
    found = linprog(aim, A_eq=matrix, b_eq=known, bounds=(0, None), method="highs")
    return float("inf") if found.status == 3 else float(-found.fun)
