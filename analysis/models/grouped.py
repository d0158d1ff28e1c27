"""Rows of a table by groups, with the groups' names as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd


def grouped(
    table: pd.DataFrame, keys: Sequence[str]
) -> Iterator[tuple[tuple[str, ...], pd.DataFrame]]:
    """Yield the levels of `keys` and their rows, in the order of the levels."""
    for levels, rows in table.groupby(list(keys), sort=True):
        yield tuple(str(level) for level in levels), rows


def groups_of(rows: pd.DataFrame, column: str | None) -> list[tuple[str, pd.DataFrame]]:
    """Return all rows under 'all', then those of each level of `column` (None = no groups)."""
    parts = [("all", rows)]
    if column:
        parts += [(level, part) for (level,), part in grouped(rows, [column])]
    return parts
