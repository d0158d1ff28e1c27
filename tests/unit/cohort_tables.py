"""Small study tables for tests of the cohort and the models, drawn from one seed."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import yaml

from shared.settings.plan import PlanSettings
from shared.tables import empty_table, write_table

ROOT = Path(__file__).resolve().parents[2]
FROZEN = {"status": "frozen", "hash": "0" * 64}
NOT_FROZEN = {"status": "not_frozen", "hash": "0" * 64}


@cache
def _plan() -> PlanSettings:
    content = yaml.safe_load((ROOT / "config" / "plan.yaml").read_text("utf-8"))
    return PlanSettings(**content)


def plan() -> dict[str, Any]:
    """Return the plan of the demo study with its defaults filled in; a new copy each time."""
    return _plan().model_dump(mode="json")


def study() -> dict[str, Any]:
    return {"clearance_visit": "clearance", "visits": ["clearance", "follow_up"]}


def athletes(count: int, rng: np.random.Generator) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "athlete_id": [f"A{number + 1:04d}" for number in range(count)],
            "site": np.array(["harbour", "meadow", "ridge"])[np.arange(count) % 3],
            "sex": np.where(rng.random(count) < 0.55, "female", "male"),
            "age_at_surgery_years": np.round(rng.normal(19, 4, count), 1),
            "graft": rng.choice(["patellar_tendon", "hamstring"], count),
            "injured_side": rng.choice(["left", "right"], count),
            "dominant_side": "right",
            "sport_level": rng.choice(["1", "2", "3"], count),
            "prior_acl_injury": rng.choice(["yes", "no"], count, p=[0.1, 0.9]),
            "mass_kg": np.round(rng.normal(70, 8, count), 1),
            "height_m": np.round(rng.normal(1.72, 0.08, count), 2),
        }
    )


def outcomes(people: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    count = len(people)
    events = ["graft_rupture", "contralateral_tear", "end_of_sport", "lost", "end_of_study"]
    event = rng.choice(events, count, p=[0.15, 0.15, 0.1, 0.1, 0.5])
    days = np.where(event == "end_of_study", 730, rng.integers(5, 729, count))
    injured = np.isin(event, events[:2])
    return pd.DataFrame(
        {
            "athlete_id": people["athlete_id"],
            "followup_days": days.astype(float),
            "event": event,
            "event_days": days.astype(float),
            "side": np.where(injured, people["injured_side"], ""),
            "contact": np.where(injured, "no", ""),
            "confirmed_by": np.where(injured, "surgeon", ""),
            "negative_control_days": np.nan,
        }
    )


def exposure(ends: pd.DataFrame) -> pd.DataFrame:
    rows = [
        (athlete, month, 10.0)
        for athlete, days in zip(ends["athlete_id"], ends["followup_days"], strict=True)
        for month in range(1, int(np.ceil(max(days, 0) / (365.25 / 12))) + 1)
    ]
    return pd.DataFrame(rows, columns=["athlete_id", "month", "athlete_exposures"])


def trials(
    people: pd.DataFrame, predictors: list[dict[str, Any]], rng: np.random.Generator
) -> pd.DataFrame:
    """Return the table `metrics`: 3 trials per limb and visit, every second athlete comes twice.

    Standard deviations: athlete 1, visit 0.5, trial 0.8; the involved limb lies 1 lower.
    """
    rows = []
    for row in people.itertuples():
        visits = ["clearance", "follow_up"] if int(row.athlete_id[1:]) % 2 else ["clearance"]
        for predictor in predictors:
            athlete = rng.normal(0, 1)
            for visit in visits:
                at_visit = athlete + rng.normal(0, 0.5)
                for limb in (
                    ("involved", "uninvolved") if predictor["limb"] != "both" else ("both",)
                ):
                    other = {"left": "right", "right": "left"}[row.injured_side]
                    side = {"both": "both", "involved": row.injured_side, "uninvolved": other}[limb]
                    for trial in (1, 2, 3):
                        value = 10 + at_visit - (limb == "involved") + rng.normal(0, 0.8)
                        rows.append((row, predictor, visit, limb, side, trial, value))
    keys = [f"{r.athlete_id}.{v}.{p['task']}.{s}.{t}" for r, p, v, _, s, t, _ in rows]
    return pd.DataFrame(
        {
            "landing_id": [
                f"{k}.{limb}.1" for k, (_, _, _, limb, *_) in zip(keys, rows, strict=True)
            ],
            "athlete_id": [r.athlete_id for r, *_ in rows],
            "site": [r.site for r, *_ in rows],
            "visit": [v for _, _, v, *_ in rows],
            "task": [p["task"] for _, p, *_ in rows],
            "limb": [limb for _, _, _, limb, *_ in rows],
            "side": [s for _, _, _, _, s, *_ in rows],
            "trial": [t for *_, t, _ in rows],
            "landing": 1,
            "metric": [p["metric"] for _, p, *_ in rows],
            "sensor": [p["sensor"] for _, p, *_ in rows],
            "value": [value for *_, value in rows],
            "unit": "x",
            "recording_id": [f"{k}.device" for k in keys],
            "first_sample": 1,
            "last_sample": 2,
            "rate_hz": 100.0,
            "cutoff_hz": 20.0,
            "definition_version": "1",
            "censoring": "none",
            "flags": "",
            "valid": True,
        }
    )


def summaries(metrics: pd.DataFrame) -> pd.DataFrame:
    """Return the table `summaries` of valid trials, by the obvious way."""
    keys = ["athlete_id", "visit", "task", "limb", "side", "landing", "metric", "sensor"]
    values = metrics["value"].where(metrics["valid"]).groupby([metrics[key] for key in keys])
    table = pd.DataFrame(
        {
            "mean": values.mean(),
            "sd": values.std(),
            "cv": values.std() / values.mean(),
            "median": values.median(),
            "minimum": values.min(),
            "maximum": values.max(),
            "n_valid": values.count(),
            "n_total": values.size(),
        }
    ).reset_index()
    return table.assign(
        site=table["athlete_id"].map(metrics.groupby("athlete_id")["site"].first()), unit="x"
    )


def write_study(
    folder: Path, people: pd.DataFrame, ends: pd.DataFrame, metrics: pd.DataFrame
) -> dict[str, Path]:
    """Write study tables and summaries; return their paths by name."""
    from shared.schemas import schema_of

    ids = people["athlete_id"]
    visits = pd.DataFrame({"athlete_id": ids, "visit": "clearance", "days_since_surgery": 270.0})
    paths = {
        name: folder / f"{name}.parquet" for name in ("athletes", "visits", "outcomes", "exposure")
    }
    tables = {"athletes": people, "visits": visits, "outcomes": ends, "exposure": exposure(ends)}
    for name, table in tables.items():
        write_table(table, paths[name], name)
    paths["metrics"] = folder / "metrics.parquet"
    write_table(metrics[schema_of("metrics").names], paths["metrics"], "metrics")
    paths["summaries"] = folder / "summaries.parquet"
    write_table(summaries(metrics)[schema_of("summaries").names], paths["summaries"], "summaries")
    return paths


def build(
    folder: Path,
    people: pd.DataFrame,
    ends: pd.DataFrame,
    metrics: pd.DataFrame,
    freeze: dict[str, Any] = FROZEN,
) -> dict[str, Path]:
    """Write a study, build its cohort and fill its gaps; return all paths by name."""
    from analysis.cohort.landmark import build_cohort
    from analysis.models.impute_cohort import impute_cohort

    paths = write_study(folder, people, ends, metrics)
    outputs = ("cohort", "exclusions", "filled", "imputation", "withdrawals")
    paths |= {name: folder / f"{name}.parquet" for name in outputs}
    write_table(empty_table("withdrawals"), paths["withdrawals"], "withdrawals")
    build_cohort(
        **{
            name: paths[name]
            for name in ("athletes", "visits", "outcomes", "exposure", "summaries", "cohort")
        },
        exclusions=paths["exclusions"],
        plan=plan(),
        study=study(),
        freeze=freeze,
        minimum_valid_trials=2,
    )
    impute_cohort(
        cohort=paths["cohort"],
        metrics=paths["metrics"],
        filled=paths["filled"],
        estimates=paths["imputation"],
        plan=plan(),
        study=study(),
        freeze=freeze,
    )
    return paths


def all_predictors() -> list[dict[str, Any]]:
    return [*plan()["primary"], *plan()["exploratory"]]


def typical_study(folder: Path, count: int = 120, seed: int = 7) -> dict[str, Path]:
    """Build a study without any peculiarity."""
    rng = np.random.default_rng(seed)
    people = athletes(count, rng)
    return build(folder, people, outcomes(people, rng), trials(people, all_predictors(), rng))
