"""The cells of a study table as text, from CSV (comma or semicolon), TSV or Parquet."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd

from shared.errors import Problem, stops

_DELIMITERS = (",", ";", "\t")


def _delimiter(first_line: str) -> str:
    return max(_DELIMITERS, key=first_line.count)


def _read_text(path: Path) -> tuple[pd.DataFrame | None, list[Problem]]:
    """Return the cells as text, or the problem that keeps them from being read."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        return None, [
            stops(
                "table_not_utf8",
                path.name,
                row=line,
                found="bytes that are not UTF-8",
                expected="a table in UTF-8",
                mend="save the table again as CSV UTF-8",
            )
        ]
    lines = text.splitlines()
    if not lines:
        return None, [
            stops(
                "empty_table",
                path.name,
                found="an empty file",
                expected="a line of column names",
                mend=f"start from config/template/{path.stem}.csv",
            )
        ]
    reader = csv.reader(lines, delimiter=_delimiter(lines[0]), strict=True)
    rows: list[list[str]] = []
    try:
        rows.extend(reader)
    except csv.Error:
        return None, [
            stops(
                "unreadable_table",
                path.name,
                row=len(rows) + 1,
                found="a quote that is not closed, or text after a closing quote",
                expected="quotes in pairs around a whole cell",
                mend="take out the quote, or double it inside a quoted cell",
            )
        ]
    names = [name.strip() for name in rows[0]]
    numbered = [(i, row) for i, row in enumerate(rows[1:], start=2) if any(c.strip() for c in row)]
    problems = [
        stops(
            "wrong_number_of_cells",
            path.name,
            row=number,
            found=f"{len(row)} cells",
            expected=f"{len(names)} cells, as in the line of column names",
            mend="look for a missing or stray delimiter, or put quotes around a text with one",
        )
        for number, row in numbered
        if len(row) != len(names)
    ]
    good = [(number, row) for number, row in numbered if len(row) == len(names)]
    table = pd.DataFrame(
        [row for _, row in good],
        columns=pd.Index(names, dtype="object"),
        index=[number for number, _ in good],
        dtype="object",
    )
    return table, problems


def _read_parquet(path: Path) -> tuple[pd.DataFrame | None, list[Problem]]:
    import pyarrow as pa

    try:
        table = pd.read_parquet(path)
    except (pa.ArrowInvalid, OSError):
        return None, [
            stops(
                "unreadable_table",
                path.name,
                found="bytes that are not a whole Parquet file",
                expected="a Parquet table",
                mend="write the table again",
            )
        ]
    cells = table.astype("object").where(table.notna(), "")
    cells = cells.apply(lambda column: column.map(_as_text))
    cells.index = pd.RangeIndex(2, len(table) + 2)
    return cells, []


def _as_text(value: object) -> str:
    return f"{value:.17g}" if isinstance(value, float) else str(value)


def read_cells(path: Path) -> tuple[pd.DataFrame | None, list[Problem]]:
    """Return the cells as text, indexed by the row as a spreadsheet counts, and the problems.

    Empty rows are dropped, rows of the wrong length are dropped and told. None: not readable.
    """
    return _read_parquet(path) if path.suffix == ".parquet" else _read_text(path)
