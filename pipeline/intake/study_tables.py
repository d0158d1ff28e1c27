"""Read the study tables: any of the accepted formats, every cell checked, all problems at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.intake.columns import TABLES, ColumnRule, TableRule
from pipeline.intake.problems import did_you_mean, one_of
from pipeline.intake.table_files import read_cells
from pipeline.intake.withdrawn import without_withdrawn
from pipeline.readers.refusals import masked
from shared.errors import Problem, stops
from shared.layout import find_table
from shared.privacy import find_identifiers
from shared.withdrawals import TABLE as WITHDRAWALS
from shared.withdrawals import withdrawn_athletes


@dataclass
class StudyTables:
    """The tables of a study by name; the index of each is the row as a spreadsheet counts.

    Text is stripped, an empty text cell is ''; numbers are float64, an empty number cell is NaN.
    A cell with a problem is '' or NaN too, so that one slip is told once.
    """

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    withdrawn: dict[str, pd.DataFrame] = field(default_factory=dict)
    """By table: the rows of athletes who withdrew consent, as text; they are in no other table."""

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.tables[name]

    def file(self, name: str) -> str:
        """Return the file name of a table, for messages."""
        return self.files.get(name, f"{name}.csv")


def _missing_table(rule: TableRule) -> Problem:
    return stops(
        "missing_table",
        f"{rule.name}.csv",
        found="no such file",
        expected=f"{rule.name}.csv, .tsv or .parquet in the study folder",
        mend=f"add the table; config/template/{rule.name}.csv shows its columns",
    )


def _column_problems(table: pd.DataFrame, rule: TableRule, file: str) -> list[Problem]:
    present = [str(name) for name in table.columns]
    problems = [
        stops(
            "duplicate_column",
            file,
            row=1,
            column=name,
            found=f"the column {name!r} {present.count(name)} times",
            expected="each column once",
            mend="take the copy out",
        )
        for name in dict.fromkeys(present)
        if present.count(name) > 1
    ]
    extra = [name for name in present if name not in rule.names]
    optional = {column.name for column in rule.columns if column.may_be_absent}
    for name in rule.names:
        if name in present:
            continue
        near = did_you_mean(name, extra, "")
        if name in optional and not near:
            continue
        problems.append(
            stops(
                "missing_column",
                file,
                row=1,
                column=name,
                found=near.removeprefix("did you mean ").removesuffix("?") or "no such column",
                expected=f"the column {name!r}",
                mend=f"rename the column to {name!r}" if near else "add it; the template shows all",
            )
        )
    return problems


def _cell_problem(rule: ColumnRule, file: str, row: int, text: str) -> Problem:
    """Return why a cell that should hold a number holds none."""
    if any(finding.kind == "date" for finding in find_identifiers(text)):
        return stops(
            "date_in_table",
            file,
            row=row,
            column=rule.name,
            found=f"a date, {masked(text)}",
            expected="a number of days" if "days" in rule.name else "a number",
            mend="give days since surgery or since clearance; dates identify a person",
        )
    return stops(
        "text_in_number_column",
        file,
        row=row,
        column=rule.name,
        found=masked(text),
        expected="a number" + ("" if rule.required else ", or an empty cell"),
        mend="correct the cell; leave out units and words",
    )


def _range_problem(rule: ColumnRule, file: str, row: int, value: float) -> Problem:
    mend = "correct the value"
    if rule.unit_slip:
        factor, words = rule.unit_slip
        if rule.low <= value * factor <= rule.high:
            mend = f"give {words}: {value * factor:g}?"
    return stops(
        "impossible_value",
        file,
        row=row,
        column=rule.name,
        found=f"{value:g}",
        expected=f"a value from {rule.low:g} to {rule.high:g}",
        mend=mend,
    )


def _by_row(cells: pd.Series) -> Iterator[tuple[int, Any]]:
    """Yield (row as a spreadsheet counts, value)."""
    for row, value in zip(cells.index, cells, strict=True):
        yield int(row), value


def _numbers(cells: pd.Series, rule: ColumnRule, file: str) -> tuple[pd.Series, list[Problem]]:
    filled = cells[cells != ""]
    # A decimal comma is as good as a point; a thousands separator is not accepted.
    plain = filled.str.replace(r"^([-+]?\d+),(\d+)$", r"\1.\2", regex=True)
    values = pd.to_numeric(plain, errors="coerce").astype("float64")
    values = values.where(np.isfinite(values))
    problems = [
        _cell_problem(rule, file, row, text) for row, text in _by_row(filled[values.isna()])
    ]
    outside = values[(values < rule.low) | (values > rule.high)]
    problems += [_range_problem(rule, file, row, value) for row, value in _by_row(outside)]
    if rule.kind == "whole":
        broken = values[(values % 1 != 0) & values.notna() & ~values.index.isin(outside.index)]
        problems += [
            stops(
                "impossible_value",
                file,
                row=row,
                column=rule.name,
                found=f"{value:g}",
                expected="a whole number",
                mend="correct the value",
            )
            for row, value in _by_row(broken)
        ]
        values = values.drop(broken.index)
    return values.drop(outside.index).reindex(cells.index), problems


def _choices(cells: pd.Series, rule: ColumnRule, file: str) -> tuple[pd.Series, list[Problem]]:
    wrong = cells[(cells != "") & ~cells.isin(rule.values)]
    problems = [
        stops(
            "unknown_value",
            file,
            row=row,
            column=rule.name,
            found=repr(text) if len(text) <= 30 and not find_identifiers(text) else masked(text),
            expected=one_of(rule.values) + ("" if rule.required else "; or an empty cell"),
            mend=did_you_mean(text, rule.values, "use one of these words"),
        )
        for row, text in _by_row(wrong)
    ]
    return cells.mask(cells.index.isin(wrong.index), ""), problems


def _empty_problems(cells: pd.Series, rule: ColumnRule, file: str) -> list[Problem]:
    return [
        stops(
            "empty_cell",
            file,
            row=int(row),
            column=rule.name,
            found="an empty cell",
            expected="a number" if rule.kind in ("number", "whole") else "a value",
            mend="fill it, or take the row out",
        )
        for row in cells.index[cells == ""]
    ]


def _typed(table: pd.DataFrame, rule: TableRule, file: str) -> tuple[pd.DataFrame, list[Problem]]:
    columns: dict[str, pd.Series] = {}
    problems: list[Problem] = []
    for column in rule.columns:
        if column.name not in table.columns:
            continue
        cells = table[column.name]
        if column.required:
            problems += _empty_problems(cells, column, file)
        if column.kind in ("number", "whole"):
            columns[column.name], found = _numbers(cells, column, file)
        elif column.kind == "choice":
            filled = cells.mask(cells == "", column.default)
            columns[column.name], found = _choices(filled, column, file)
        else:
            columns[column.name], found = cells, []
        problems += found
    extra = {name: table[name] for name in table.columns if name not in rule.names}
    return pd.DataFrame({**columns, **extra}, index=table.index), problems


def _key_problems(table: pd.DataFrame, rule: TableRule, file: str) -> list[Problem]:
    if any(name not in table.columns for name in rule.key):
        return []
    key = table[list(rule.key)]
    whole = (key != "").all(axis=1) & key.notna().all(axis=1)
    key = key[whole]
    rule_name = f"duplicate_{rule.name.removesuffix('s')}"
    first = {
        tuple(row): number
        for number, row in zip(key.index[::-1], key.to_numpy()[::-1], strict=True)
    }
    return [
        stops(
            rule_name,
            file,
            row=int(number),
            found=f"the same {', '.join(rule.key)} as row {first[tuple(key.loc[number])]}",
            expected=f"one row per {', '.join(rule.key)}",
            mend="take out the copy, or correct the key",
        )
        for number in key.index[key.duplicated(keep="first")]
    ]


def _empty(rule: TableRule) -> pd.DataFrame:
    numbers = {c.name for c in rule.columns if c.kind in ("number", "whole")}
    return pd.DataFrame(
        {n: pd.Series(dtype="float64" if n in numbers else "object") for n in rule.names}
    )


def _add_table(
    study: StudyTables, rule: TableRule, folder: Path, withdrawn: frozenset[str]
) -> None:
    path = find_table(folder, rule.name)
    if path is None:
        study.tables[rule.name] = _empty(rule)
        study.problems += [] if rule.optional else [_missing_table(rule)]
        return
    study.files[rule.name] = path.name
    cells, problems = read_cells(path)
    study.problems += problems
    if cells is None:
        study.tables[rule.name] = _empty(rule)
        return
    study.problems += _column_problems(cells, rule, path.name)
    cells = cells.loc[:, ~cells.columns.duplicated()].apply(lambda column: column.str.strip())
    if rule.name != WITHDRAWALS:
        cells, study.withdrawn[rule.name] = without_withdrawn(cells, withdrawn)
    for column in rule.columns:
        if column.may_be_absent and column.name not in cells.columns:
            cells[column.name] = ""
    table, problems = _typed(cells, rule, path.name)
    study.problems += problems
    study.problems += _key_problems(table, rule, path.name)
    for name in rule.names:
        if name not in table.columns:
            table[name] = _empty(rule)[name].reindex(table.index)
            if table[name].dtype == object:
                table[name] = ""
    study.tables[rule.name] = table


def read_study_tables(study_folder: Path) -> StudyTables:
    """Return all study tables, typed, with every problem found inside single tables.

    Rows of athletes who withdrew their consent are dropped before anything looks at them.
    """
    study, withdrawn = StudyTables(), withdrawn_athletes(study_folder)
    for rule in TABLES.values():
        _add_table(study, rule, study_folder, withdrawn)
    return study
