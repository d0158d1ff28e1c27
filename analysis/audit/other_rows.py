"""What lies behind a number that rests on no metric: athletes and study tables, or other rows."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.audit.level import Level, listed
from analysis.audit.recording_level import file_lines
from analysis.audit.step_inputs import noted_file, noted_inputs
from analysis.audit.study_folder import StudyFolder, TraceError

_ENDS = ("event", "event_days", "followup_days")
_OF_A_MODEL = ("cox", "knee_level", "prediction")
"""Analyses of one model with all predictors of the plan."""

_OF_ROWS = ("exclusions", "nuisances", "planted_nuisances", "quality_", "rederived")
"""Analyses that count rows of recordings, landings or exclusions, whatever else their step read."""

_NAMES = (
    "recording_id",
    "landing_id",
    "unit_code",
    "level",
    "id",
    "site",
    "device",
    "sensor",
    "visit",
    "task",
    "signal",
    "kind",
    "role",
    "reason",
    "accepted",
    "valid",
    "usable",
    "flags",
)
"""Columns that name a row or say why it is counted, in the order in which they are shown."""

_CODES = ("site", "device", "sensor", "task", "kind", "signal", "level", "reason")
"""Columns whose codes stand in the address of a number that counts their rows."""


def _columns_of_athletes(
    study: StudyFolder, row: Mapping[str, Any], cohort: pd.DataFrame
) -> list[str]:
    words = {*str(row["number_id"]).split("."), str(row["subject"])}
    found = [
        name
        for name in cohort.columns
        if name != "athlete_id"
        # A term of a category, sex_male say, begins with its column.
        and any(word == name or word.startswith(f"{name}_") for word in words)
    ]
    if str(row["analysis"]).startswith(_OF_A_MODEL):
        found += [p.name for p in study.settings.plan.primary]
    if row["outcome"] or not pd.isna(row["horizon_days"]):
        found += _ENDS
    return ["athlete_id", *dict.fromkeys(name for name in found if name in cohort)]


def _athletes(study: StudyFolder, row: Mapping[str, Any]) -> Level:
    cohort = study.table("cohort")
    rows = cohort.loc[cohort["included"]]
    if row["site"]:
        rows = rows.loc[rows["site"] == row["site"]]
    lines = listed(rows, _columns_of_athletes(study, row, cohort))
    return Level(f"Athletes of the cohort ({len(rows)} rows)", tuple(lines))


def _study_tables(study: StudyFolder) -> Level:
    """Return the study tables that the cohort was made from, with hash and state."""
    lines = []
    for name, digest, state in noted_inputs(study, study.path("athletes")):
        lines.append(f"{name:22s} {digest} {state}")
    return Level("Study tables that were checked", tuple(lines))


def _rows(table: pd.DataFrame, row: Mapping[str, Any]) -> tuple[int, pd.DataFrame]:
    """Return how many columns hold codes of a number's address, and the rows with these codes."""
    words, matched = set(str(row["number_id"]).split(".")), 0
    for name in _CODES:
        if name in table and (codes := words & set(table[name].dropna().astype(str))):
            table, matched = table.loc[table[name].isin(codes)], matched + 1
    return matched, table


def _nearest_tables(
    study: StudyFolder, row: Mapping[str, Any], part: Path
) -> dict[str, pd.DataFrame]:
    """Return, of the tables that a step read, the rows that a number's address tells best."""
    found = {}
    for name, _, _ in noted_inputs(study, part):
        try:
            path = noted_file(study, name)
        except TraceError:
            continue
        if path.is_file() and path.suffix == ".parquet" and path.parent.name != "models":
            matched, rows = _rows(pd.read_parquet(path), row)
            if len(rows) and set(_NAMES) & set(rows.columns):
                found[f"{path.parent.name}/{path.stem}"] = matched, rows
    most = max((matched for matched, _ in found.values()), default=0)
    return {name: rows for name, (matched, rows) in found.items() if matched == most}


def levels_without_metric(
    study: StudyFolder, estimate: pd.Series, part: Path | None
) -> list[Level]:
    """Return the levels behind an estimate without rows of `metrics`.

    Numbers of athletes lead to the cohort and on to the study tables. All others lead to the rows
    of the tables that their step read, as far as the codes in the address tell them, and to the
    first recording among them.
    """
    row = estimate.to_dict()
    if part is None:
        return []
    counts_rows = str(row["analysis"]).startswith(_OF_ROWS)
    if not counts_rows and "cohort" in {name for name, _, _ in noted_inputs(study, part)}:
        return [_athletes(study, row), _study_tables(study)]
    levels, recording = [], None
    for name, rows in _nearest_tables(study, row, part).items():
        columns = [column for column in _NAMES if column in rows]
        levels.append(Level(f"Rows of {name} ({len(rows)})", tuple(listed(rows, columns))))
        if recording is None and {"path", "sha256"} <= set(rows.columns):
            recording = rows.iloc[0]
    if recording is not None:
        levels.append(Level("First recording", tuple(file_lines(study, recording))))
    if not levels:
        why = "this number compares estimates with limits, or other estimates; no row is behind it"
        levels.append(Level("Rows", (why,)))
    return levels
