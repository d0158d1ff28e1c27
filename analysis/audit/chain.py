"""The way back from a number to raw samples, level by level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.audit.address import Target
from analysis.audit.level import SHOWN, Level, listed, named, number_text
from analysis.audit.other_rows import levels_without_metric
from analysis.audit.recording_level import recording_level
from analysis.audit.rows_behind import conditions
from analysis.audit.step_inputs import noted_inputs
from analysis.audit.study_folder import Filter, StudyFolder
from shared.tables import read_metadata


@dataclass(frozen=True)
class Chain:
    """All levels, and the metric row at the end of the way (None where no metric is behind)."""

    levels: tuple[Level, ...]
    metric_row: pd.Series | None
    estimate: pd.Series | None
    part: Path | None


def _filled(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        str(name): value
        for name, value in row.items()
        if not (value is None or value is pd.NA or value == "" or pd.isna(value))
    }


def _printed(target: Target) -> Level:
    rows = target.printed if target.printed is not None else pd.DataFrame()
    lines = [f"{row.display!r} in {row.place} ({row.field})" for row in rows.itertuples()]
    return Level("Printed", tuple(lines[:SHOWN]) or ("this number is printed nowhere",))


def part_of(study: StudyFolder, number_id: str) -> Path | None:
    """Return the file of the step that gave an estimate."""
    for path in sorted((study.results / "models").glob("*.parquet")):
        if len(
            pd.read_parquet(path, columns=["number_id"], filters=[("number_id", "==", number_id)])
        ):
            return path
    return None


def _estimate(row: pd.Series, part: Path | None) -> Level:
    lines = [f"{name:14s} {number_text(value)}" for name, value in _filled(row.to_dict()).items()]
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
    return [f"read {name}: {state}" for name, _, state in noted_inputs(study, part)]


def _conditions(study: StudyFolder, row: pd.Series) -> Filter:
    if not row["metric"]:
        return []  # asked first: most questions need no settings
    plan = study.settings.plan
    predictors = [p.model_dump() for p in (*plan.primary, *plan.exploratory)]
    held = study.settings.study
    two_legs = [task for task, settings in held.tasks.items() if settings.limbs == "both"]
    return conditions(row.to_dict(), predictors, held.clearance_visit, two_legs)


def _cohort(study: StudyFolder, row: pd.Series) -> Level:
    cohort = study.table("cohort")
    lines = [f"{len(cohort)} athletes enrolled, {int(cohort['included'].sum())} in the cohort"]
    term = str(row["term"]).rpartition(".")[2]
    if term in cohort:
        known = cohort.loc[cohort["included"], term].notna()
        lines.append(f"{int(known.sum())} of them have {term}, {int((~known).sum())} do not")
    counted = {"n_athletes": "athletes", "n_events": "events", "n_trials": "trials",
               "rows_dropped": "rows left out because a value is missing"}  # fmt: skip
    lines += [f"{number_text(row[n])} {word} in the model" for n, word in counted.items()
              if not pd.isna(row[n])]  # fmt: skip
    if row["missing_data"] == "filled in":
        drawn = study.table("filled_values", [("predictor", "==", term)])
        for kind, group in drawn.groupby("kind", sort=True):
            athletes = group["athlete_id"].drop_duplicates()
            lines.append(f"{len(athletes)} with values drawn ({kind}): {named(athletes)}")
    return Level("Model and its rows", tuple(lines))


def _excluded(study: StudyFolder, rows: pd.DataFrame) -> Level:
    """Return why athletes and values are not in the model, as counts."""
    lines = []
    left_out = study.results / "cohort" / "exclusions.parquet"
    if left_out.is_file():
        for reason, group in pd.read_parquet(left_out).groupby("reason", sort=True):
            words = str(reason).replace("_", " ")
            lines.append(f"{len(group)} athlete(s): {words}: {named(group['id'])}")
    invalid = rows.loc[~rows["valid"]] if len(rows) else rows
    for flags, group in invalid.groupby("flags", sort=True):
        lines.append(f"{len(group)} value(s): {flags}: {named(group['landing_id'])}")
    return Level("Left out, with reasons", tuple(lines) or ("nothing",))


def _summaries(study: StudyFolder, about: Filter) -> Level:
    rows = study.table("summaries", about)
    columns = ["athlete_id", "visit", "task", "limb", "landing", "mean", "sd", "n_valid", "n_total"]
    lines = listed(rows.sort_values(["athlete_id", "visit", "task", "limb"]), columns)
    return Level(f"Summaries of athletes ({len(rows)} rows)", tuple(lines))


def _landings(rows: pd.DataFrame) -> Level:
    columns = ["landing_id", "value", "unit", "valid", "flags"]
    return Level(f"Landings ({len(rows)} values)", tuple(listed(rows, columns)))


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


def _to_raw(study: StudyFolder, row: pd.Series) -> tuple[Level, Level]:
    # Late, because most of it is the model of a device, and a wrong name needs none.
    from analysis.audit.raw_samples import samples_level

    return recording_level(study, row), samples_level(study, row)


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
        return Chain(_to_raw(study, row), row, None, None)
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
        levels += levels_without_metric(study, estimate, part)
    if followed is not None:
        levels += _to_raw(study, followed)
    return Chain(tuple(levels), followed, estimate, part)
