"""Extracted metrics and quality flags against the truth of the signals (demo study only)."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from analysis.cohort.landmark import EVENT_BEFORE_CLEARANCE
from analysis.estimates import EstimateFields, Estimates
from analysis.models.grouped import grouped
from analysis.models.quality import flagged_recordings, one_row_per_flag

VALUE_KEYS = ["athlete_id", "visit", "task", "side", "trial", "landing", "metric", "sensor"]
TRIAL_PARTS = 5
"""A readable recording name begins with athlete, visit, task, side, trial."""
VISIT_PARTS = 2
UNIT_PARTS = 3
"""A sensor unit is named by athlete, visit and side."""

MISSING_ROWS = ("gap", "missing_samples")
"""A recording that lacks rows is flagged `gap`; values that lost few rows, `missing_samples`."""

NOTES = {
    "gap": "found under either flag for missing rows",
    "missing_samples": "found under either flag for missing rows",
    "short_recording": "flagged only where the window of a metric reaches past the end",
}


def errors_of_metrics(metrics: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Return valid values with their true value and the column `error` (extracted minus true)."""
    valid = metrics.loc[metrics["valid"] & metrics["value"].notna()]
    true = truth[[*VALUE_KEYS, "value"]].rename(columns={"value": "true"})
    both = valid.merge(true, on=VALUE_KEYS, how="inner", validate="one_to_one")
    return both.assign(error=both["value"] - both["true"])


def _add_errors(
    numbers: Estimates, subject: Sequence[str], site: str, rows: pd.DataFrame, task: str
) -> None:
    fields: EstimateFields = {
        "metric": str(rows["metric"].iloc[0]),
        "sensor": str(rows["sensor"].iloc[0]),
        "task": task,
        "site": site,
        "unit": str(rows["unit"].iloc[0]),
        "n_trials": len(rows),
        "n_athletes": int(rows["athlete_id"].nunique()),
    }
    numbers.add(subject, site, "bias", float(rows["error"].mean()), **fields)
    numbers.add(subject, site, "standard_deviation", float(rows["error"].std(ddof=1)), **fields)
    fields["unit"] = "share"
    relative = float(rows["error"].mean() / rows["true"].mean())
    numbers.add(subject, site, "relative_bias", relative, **fields)


def metric_numbers(metrics: pd.DataFrame, truth: pd.DataFrame) -> Estimates:
    """Return bias and SD of extracted minus true value by metric, sensor, task and site."""
    numbers = Estimates(
        "planted_metrics", note="extracted minus true value of each valid landing; trials as rows"
    )
    errors = errors_of_metrics(metrics, truth)
    if errors.empty:
        numbers.not_run("all", "no landing has a valid value of a metric whose truth is known")
    for (metric, sensor, task, site), rows in grouped(errors, ["metric", "sensor", "task", "site"]):
        _add_errors(numbers, (metric, sensor, task), site, rows, task)
    for (metric, sensor, site), rows in grouped(errors, ["metric", "sensor", "site"]):
        _add_errors(numbers, (metric, sensor), site, rows, "")
    return numbers


def trial_of(recording_id: str) -> str:
    """Return the trial part of a recording's readable name."""
    return ".".join(recording_id.split(".")[:TRIAL_PARTS])


def of_athletes(nuisances: pd.DataFrame, athletes: pd.Series) -> pd.DataFrame:
    """Return the planted nuisances of these athletes: the truth also knows who withdrew consent."""
    return nuisances.loc[nuisances["id"].str.split(".").str[0].isin(athletes)]


def found_pairs(
    recordings: pd.DataFrame, landings: pd.DataFrame, metrics: pd.DataFrame, cohort: pd.DataFrame
) -> set[tuple[str, str]]:
    """Return (flag, name) of everything found, under each name that the truth may use for it.

    Names: a recording, a trial, athlete.visit.side of a sensor unit, an athlete.
    """
    files = flagged_recordings(recordings, metrics)
    pairs = set(zip(files["flag"], files["recording_id"], strict=True))
    pairs |= {(flag, trial_of(name)) for flag, name in pairs}
    of_landings = one_row_per_flag(landings)
    trials = of_landings["landing_id"].map(trial_of)
    pairs |= set(zip(of_landings["flag"], trials, strict=True))
    units = one_row_per_flag(metrics)
    places = units["athlete_id"] + "." + units["visit"] + "." + units["side"]
    pairs |= set(zip(units["flag"], places, strict=True))
    bilateral = cohort.loc[cohort["injured_side"] == "both", "athlete_id"]
    before = cohort.loc[cohort["excluded_because"] == EVENT_BEFORE_CLEARANCE, "athlete_id"]
    pairs |= {("bilateral_case", athlete) for athlete in bilateral}
    return pairs | {("event_before_clearance", athlete) for athlete in before}


def _units_of(kind: str, rows: pd.DataFrame) -> set[str]:
    """Return the names spoiled by a kind of fault: as given, by trial, by visit for a unit."""
    spoiled: set[str] = set()
    for name in rows.loc[rows["kind"].isin(flags_of(kind)), "id"]:
        parts = name.split(".")
        visit = {".".join(parts[:VISIT_PARTS])} if len(parts) == UNIT_PARTS else set()
        spoiled |= {name, trial_of(name)} | visit
    return spoiled


def flags_of(kind: str) -> tuple[str, ...]:
    """Return the flags under which a kind of fault may stand."""
    return MISSING_ROWS if kind in MISSING_ROWS else (kind,)


def nuisance_numbers(
    planted: pd.DataFrame, found: set[tuple[str, str]], recordings: pd.DataFrame
) -> Estimates:
    """Return, per kind of nuisance, how many were planted, found, and flagged without cause."""
    numbers = Estimates("planted_nuisances")
    names = set(recordings["recording_id"])
    for (kind,), rows in grouped(planted, ["kind"]):
        note = NOTES.get(kind, "demo study: what went wrong on purpose")
        hits = sum(any((flag, name) in found for flag in flags_of(kind)) for name in rows["id"])
        numbers.add(kind, "planted", "count", len(rows), unit="cases", note=note)
        numbers.add(kind, "found", "count", hits, unit="cases", note=note)
        spoiled = _units_of(kind, planted)
        extra = [
            name
            for flag, name in sorted(found)
            if flag == kind
            and name in names
            and not spoiled & {name, trial_of(name), ".".join(name.split(".")[:VISIT_PARTS])}
        ]
        term = "flagged_without_cause"
        numbers.add(kind, term, "count", len(extra), unit="recordings", note=note)
    return numbers
