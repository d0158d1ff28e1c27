"""The first privacy gate: identifiers in the study tables and in the names of files."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pandas as pd

from pipeline.intake.columns import TABLES
from pipeline.intake.study_tables import StudyTables
from shared.errors import Problem, stops
from shared.privacy import (
    Finding,
    find_identifiers,
    find_names_in_prose,
    identifier_in_column_name,
    mask,
)
from shared.settings.study import StudySettings

_LOOKS_LIKE_SERIAL = re.compile(r"(?=(?:.*\d){5})|(?:[0-9A-Fa-f]{2}[:-]){5}")
# A pseudonym has a number in it; a word of letters alone may be somebody's name.
_LOOKS_LIKE_NAME = re.compile(r"[A-Za-zÀ-ÿ]+[ ,_-]?[A-Za-zÀ-ÿ'-]*")


def looks_like_serial(unit_code: str) -> bool:
    """Tell whether a code may be the serial number of a device, which leads to its wearer."""
    return bool(_LOOKS_LIKE_SERIAL.match(unit_code))


def vocabulary(study: StudySettings) -> frozenset[str]:
    """Return the words that the settings declare: they identify nobody."""
    labels = {site.label for site in study.sites.values()}
    labels |= {task.label for task in study.tasks.values()}
    return frozenset({*study.sites, *study.tasks, *study.visits, *labels})


def _refused(file: str, row: int | None, column: str, kind: str, masked: str) -> Problem:
    return stops(
        "identifier_in_table",
        file,
        row=row,
        column=column,
        found=f"{kind.replace('_', ' ')}: {masked}",
        expected="pseudonyms only: no names, dates, clock times, addresses or serial numbers",
        mend="take it out; keep the key to the pseudonyms outside the study folder",
    )


def check_column_names(tables: StudyTables) -> list[Problem]:
    """Return columns whose names say that they hold identifiers, or are identifiers."""
    problems = []
    for name in tables.files:
        own = TABLES[name].names
        for i, column in enumerate(map(str, tables[name].columns), start=1):
            if column in own:
                continue
            kind = identifier_in_column_name(column)
            if kind:
                place = f"{i} (name starts with {column[:1]!r}, {len(column)} characters)"
                problems.append(
                    _refused(tables.file(name), 1, place, kind, "told by the column's name")
                )
            problems += [
                _refused(tables.file(name), 1, str(i), finding.kind, finding.masked)
                for finding in find_identifiers(column)
            ]
    return problems


def _cells(tables: StudyTables, name: str) -> Iterator[tuple[str, pd.Series]]:
    """Yield the text columns that may hold anything: declared codes and text, and extras."""
    rules = {rule.name: rule.kind for rule in TABLES[name].columns}
    for column in tables[name].columns:
        if rules.get(column, "text") in ("code", "text"):
            yield str(column), tables[name][column]


def _findings(column: str, text: str, allowed: frozenset[str]) -> list[Finding]:
    if column == "athlete_id" and _LOOKS_LIKE_NAME.fullmatch(text):
        return [Finding("name", 0, mask(text))]
    if column == "unit_code" and looks_like_serial(text):
        return [Finding("serial_number", 0, mask(text))]
    findings = find_identifiers(text, allowed)
    if findings or column in ("path", "athlete_id", "recording_id"):
        return findings
    return find_names_in_prose(text, allowed)


def check_cells(tables: StudyTables, study: StudySettings) -> list[Problem]:
    """Return the identifiers in text cells and names of raw files, by row and column."""
    allowed = vocabulary(study)
    problems = []
    for name in tables.files:
        for column, cells in _cells(tables, name):
            texts = {text: _findings(column, text, allowed) for text in cells.unique() if text}
            hits = {text for text, findings in texts.items() if findings}
            if not hits:
                continue
            hit = cells[cells.isin(hits)]
            problems += [
                _refused(tables.file(name), int(row), column, finding.kind, finding.masked)
                for row, text in zip(hit.index, hit, strict=True)
                for finding in texts[text]
            ]
    return problems
