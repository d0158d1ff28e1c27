"""Quality flags in tables: sorted words joined by semicolons, '' where there is nothing to say."""

from __future__ import annotations

from collections.abc import Collection, Iterable

import pandas as pd

SEPARATOR = ";"


def join_flags(flags: Iterable[str]) -> str:
    """Return the flags as they stand in a table: each once, sorted, joined."""
    return SEPARATOR.join(sorted({str(flag) for flag in flags}))


def split_flags(text: str) -> tuple[str, ...]:
    """Return the flags of a table cell."""
    return tuple(text.split(SEPARATOR)) if text else ()


def is_valid(flags: Iterable[str], excluding: Collection[str]) -> bool:
    """Tell whether nothing among the flags takes the value out of the primary analysis."""
    return not any(flag in excluding for flag in flags)


def one_row_per_flag(table: pd.DataFrame, among: Collection[str]) -> pd.DataFrame:
    """Return `table` with the column `flag`: one row for each of its flags that is `among`.

    Rows keep their order; the flags of a row come sorted. A row without such a flag vanishes.
    """
    flagged = table.loc[table["flags"] != ""]
    # Not `.str`: a table without rows has no strings for it, and a study may have no landing.
    long = flagged.assign(flag=[split_flags(text) for text in flagged["flags"]]).explode("flag")
    return long.loc[long["flag"].isin(list(among))].reset_index(drop=True)
