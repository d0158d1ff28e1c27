"""The way back from a number to raw samples, level by level."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.audit.address import Target
from analysis.audit.rows_behind import conditions
from analysis.audit.study_folder import Filter, StudyFolder, TraceError
from shared.provenance import sha256_of_file
from shared.tables import read_metadata

_SHOWN = 12  # rows that fit on a screen beside their heading


@dataclass(frozen=True)
class Level:
    """One screen of the way back."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Chain:
    """All levels, and the metric row at the end of the way (None where no metric is behind)."""

    levels: tuple[Level, ...]
    metric_row: pd.Series | None
    estimate: pd.Series | None
    part: Path | None


def _number(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _filled(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        str(name): value
        for name, value in row.items()
        if not (value is None or value is pd.NA or value == "" or pd.isna(value))
    }


def _listed(rows: pd.DataFrame, columns: list[str]) -> list[str]:
    """Return some rows as lines, sorted by their names, and how many more there are."""
    shown = rows[columns].head(_SHOWN)
    text = shown.to_string(index=False, float_format=lambda value: f"{value:.6g}")
    more = len(rows) - len(shown)
    return [*text.splitlines(), *([f"... and {more} more"] if more > 0 else [])]


def _printed(target: Target) -> Level:
    rows = target.printed if target.printed is not None else pd.DataFrame()
    lines = [f"{row.display!r} in {row.place} ({row.field})" for row in rows.itertuples()]
    return Level("Printed", tuple(lines[:_SHOWN]) or ("this number is printed nowhere",))


def part_of(study: StudyFolder, number_id: str) -> Path | None:
    """Return the file of the step that gave an estimate."""
    for path in sorted((study.results / "models").glob("*.parquet")):
        if len(
            pd.read_parquet(path, columns=["number_id"], filters=[("number_id", "==", number_id)])
        ):
            return path
    return None


def _estimate(row: pd.Series, part: Path | None) -> Level:
    lines = [f"{name:14s} {_number(value)}" for name, value in _filled(row.to_dict()).items()]
    if part is not None:
        lines.append(
            f"{'made by':14s} the step {part.stem}, code version "
            f"{read_metadata(part).get('code_version', '')}"
        )
    return Level("Estimate and its conventions", tuple(lines))


def _inputs(study: StudyFolder, part: Path | None) -> list[str]:
    """Return the tables that a step read, and whether they are still the same."""
    if part is None:
        return ["no step of this study holds the number any more: run the study again"]
    lines = []
    for name, digest in json.loads(read_metadata(part).get("inputs", "{}")).items():
        try:
            same = sha256_of_file(study.path(name)) == digest
        except TraceError:
            lines.append(f"read {name}: not a table of the results")
            continue
        lines.append(f"read {name}: {'unchanged since' if same else 'CHANGED since the step ran'}")
    return lines


def _conditions(study: StudyFolder, row: pd.Series) -> Filter:
    if not row["metric"]:
        return []  # asked first: most questions need no settings
    plan = study.settings.plan
    predictors = [p.model_dump() for p in (*plan.primary, *plan.exploratory)]
    return conditions(row.to_dict(), predictors, study.settings.study.clearance_visit)


def _cohort(study: StudyFolder, row: pd.Series) -> Level:
    cohort = study.table("cohort")
    lines = [f"{len(cohort)} athletes enrolled, {int(cohort['included'].sum())} in the cohort"]
    term = str(row["term"]).rpartition(".")[2]
    if term in cohort:
        known = cohort.loc[cohort["included"], term].notna()
        lines.append(f"{int(known.sum())} of them have {term}, {int((~known).sum())} do not")
    counted = {"n_athletes": "athletes", "n_events": "events", "n_trials": "trials",
               "rows_dropped": "rows left out because a value is missing"}  # fmt: skip
    lines += [f"{_number(row[n])} {word} in the model" for n, word in counted.items()
              if not pd.isna(row[n])]  # fmt: skip
    return Level("Model and its rows", tuple(lines))


def _excluded(study: StudyFolder, rows: pd.DataFrame) -> Level:
    """Return why athletes and values are not in the model, as counts."""
    lines = []
    left_out = study.results / "cohort" / "exclusions.parquet"
    if left_out.is_file():
        for reason, group in pd.read_parquet(left_out).groupby("reason", sort=True):
            lines.append(f"{len(group)} athlete(s): {str(reason).replace('_', ' ')}")
    invalid = rows.loc[~rows["valid"]] if len(rows) else rows
    reasons = invalid["flags"].value_counts().sort_index() if len(invalid) else {}
    lines += [f"{count} value(s): {flags}" for flags, count in reasons.items()]
    return Level("Left out, with reasons", tuple(lines) or ("nothing",))


def _summaries(study: StudyFolder, about: Filter) -> Level:
    rows = study.table("summaries", about)
    columns = ["athlete_id", "visit", "task", "limb", "landing", "mean", "sd", "n_valid", "n_total"]
    lines = _listed(rows.sort_values(["athlete_id", "visit", "task", "limb"]), columns)
    return Level(f"Summaries of athletes ({len(rows)} rows)", tuple(lines))


def _landings(rows: pd.DataFrame) -> Level:
    columns = ["landing_id", "value", "unit", "valid", "flags"]
    return Level(f"Landings ({len(rows)} values)", tuple(_listed(rows, columns)))


def _raw_state(study: StudyFolder, recording: pd.Series) -> str:
    file = study.raw / recording["path"]
    if not file.is_file():
        return "the raw file is not in the study folder"
    same = sha256_of_file(file) == recording["sha256"]
    return "the raw file still has this hash" if same else "THE RAW FILE HAS CHANGED since"


def _recording(study: StudyFolder, row: pd.Series) -> Level:
    recording = study.table("recordings", [("recording_id", "==", row["recording_id"])]).iloc[0]
    landing = study.table("landings", [("landing_id", "==", row["landing_id"])]).iloc[0]
    metadata = read_metadata(study.path("metrics"))
    lines = [
        f"{row['metric']} by {row['sensor']}, {row['landing_id']}",
        f"value          {_number(row['value'])} {row['unit']}, censoring {row['censoring']}",
        f"definition     {row['metric']}, version {row['definition_version']}",
        f"recording      {recording['path']}",
        f"SHA-256        {recording['sha256']}",
        f"               {_raw_state(study, recording)}",
        f"raw samples    {_number(row['first_sample'])} to {_number(row['last_sample'])} of "
        f"{_number(recording['samples'])} at {recording['rate_hz']:g} per second",
        f"evaluated at   {row['rate_hz']:g} per second",
        f"contact        {landing['initial_contact_s']:.4f} s by {landing['event_source']}",
    ]
    keys = [(key, "==", row[key]) for key in ("landing_id", "metric", "sensor")]
    for source in study.table("metric_sources", keys).itertuples():
        if source.role != "value":
            samples = (
                ""
                if pd.isna(source.first_sample)
                else (f", samples {source.first_sample:g} to {source.last_sample:g}")
            )
            lines.append(f"also used      {source.recording_id} ({source.role}{samples})")
    lines += [
        *(
            f"hash of        {name}: {digest}"
            for name, digest in json.loads(metadata.get("inputs", "{}")).items()
        ),
        f"code version   {metadata.get('code_version', '')}",
    ]
    return Level("Recording", tuple(lines))


def metric_rows(study: StudyFolder, estimate: pd.Series) -> pd.DataFrame:
    """Return the rows of metrics behind an estimate, valid or not; none without a metric."""
    about = _conditions(study, estimate)
    rows = study.table("metrics", about or [("landing_id", "==", "")])
    return rows.sort_values("landing_id", ignore_index=True)


def _followed(rows: pd.DataFrame, landing: str) -> pd.Series | None:
    if landing:
        from analysis.audit.address import unknown

        if landing not in set(rows["landing_id"]):
            raise unknown("landing behind this number", landing, rows["landing_id"])
        rows = rows.loc[rows["landing_id"] == landing]
    usable = rows.loc[rows["valid"]]
    return usable.iloc[0] if len(usable) else None


def chain_of(study: StudyFolder, target: Target, landing: str = "") -> Chain:
    """Return all levels behind a target.

    Parameters
    ----------
    landing
        Which landing to follow to its recording; '' is the first by name.

    Raises
    ------
    TraceError
        The landing is not behind the number.
    """
    if target.metric_row is not None:
        keys = zip(("landing_id", "metric", "sensor"), target.metric_row, strict=True)
        row = study.table("metrics", [(key, "==", value) for key, value in keys]).iloc[0]
        return Chain((_recording(study, row),), row, None, None)
    estimate = target.estimate
    if estimate is None:
        raise ValueError("a target is an estimate or a metric row")
    part = part_of(study, estimate["number_id"])
    levels = [_printed(target), _estimate(estimate, part)]
    rows = metric_rows(study, estimate)
    model = _cohort(study, estimate)
    levels.append(Level(model.title, (*model.lines, *_inputs(study, part))))
    levels.append(_excluded(study, rows))
    followed = None
    if len(rows):
        levels.append(_summaries(study, _conditions(study, estimate)))
        levels.append(_landings(rows))
        followed = _followed(rows, landing)
    else:
        why = (
            "this number counts or compares rows of the tables above and rests on no single metric"
        )
        levels.append(Level("Landings", (why,)))
    if followed is not None:
        levels.append(_recording(study, followed))
    return Chain(tuple(levels), followed, estimate, part)
