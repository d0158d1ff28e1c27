"""Do 95 % intervals of the planted effects cover them? Simulated cohorts, signals skipped.

Every cohort draws true predictors, three measured trials of each, covariates and outcomes anew
from the demo's own hazards (`pipeline.simulate.outcomes_only`), and goes through the model steps.
Naive hazard ratios are held against what error leaves of the planted ones: the naive estimate in
one cohort of 60,000 athletes. Corrected ones are held against the planted values themselves.
`python -m tests.known_answers.test_coverage` prints the table.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
import yaml

from analysis.estimates import estimates_table
from analysis.models.calibrated_cox import corrected_numbers
from analysis.models.cox_fit import fit_outcome
from analysis.models.measurement import Measurement
from analysis.models.outcome_model import complete_case_model
from pipeline.simulate.outcomes_only import draw_cohort
from pipeline.simulate.settings import SimulationSettings
from tests.unit.cohort_tables import ROOT, plan

COHORTS = 200
ATHLETES = 240
HUGE = 60_000
SEED = 20260401
# Of the mean of three trials; correlations about those of the demo's true predictors.
RELIABILITY = {
    "knee_flexion_excursion": 0.75,
    "peak_waist_acceleration": 0.80,
    "flight_time": 0.90,
}
CORRELATION = np.array([[1.0, -0.3, 0.0], [-0.3, 1.0, 0.1], [0.0, 0.1, 1.0]])
TRIALS = 3


@cache
def settings() -> SimulationSettings:
    text = (ROOT / "config" / "simulate.yaml").read_text(encoding="utf-8")
    return SimulationSettings(**yaml.safe_load(text))


def draw(athletes: int, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one cohort and its trials as the tables `cohort` and `metrics`."""
    drawn = draw_cohort(
        settings(),
        athletes=athletes,
        reliability=RELIABILITY,
        correlation=CORRELATION,
        trials=TRIALS,
        rng=rng,
    )
    ids = np.char.add("A", np.arange(athletes).astype(str))
    cohort = drawn[["site", "age_at_surgery_years", "sex", "followup_days", "event", "cause"]]
    cohort = cohort.assign(athlete_id=ids, injured_side="left")
    parts = []
    for predictor in plan()["primary"]:
        metric, name = predictor["metric"], predictor["name"]
        cohort[name] = drawn[f"{metric}_measured"].to_numpy()
        cohort[f"{name}_trials"] = TRIALS
        keys = {key: predictor[key] for key in ("metric", "sensor", "task", "limb", "landing")}
        for trial in range(1, TRIALS + 1):
            rows = pd.DataFrame({"athlete_id": ids, "site": drawn["site"], **keys})
            values = drawn[f"{metric}_trial_{trial}"].to_numpy()
            parts.append(
                rows.assign(visit="clearance", side="left", trial=trial, value=values, valid=True)
            )
    return cohort, pd.concat(parts, ignore_index=True)


def planted() -> pd.Series:
    """Return the planted log hazard ratio per true SD of each (outcome, predictor)."""
    values = {
        (outcome, predictor["name"]): np.log(effect.hazard_ratio_per_sd[outcome])
        for predictor in plan()["primary"]
        for effect in settings().outcomes.predictors
        if effect.metric == predictor["metric"]
        for outcome in plan()["primary_outcomes"]
    }
    return pd.Series(values)


def naive_of_huge_cohort(rng: np.random.Generator) -> pd.Series:
    cohort, _ = draw(HUGE, rng)
    values = {}
    for outcome in plan()["primary_outcomes"]:
        design, estimate = fit_outcome(cohort, plan()["primary"], plan(), outcome)
        for position in range(design.n_predictors):
            values[outcome, design.names[position]] = estimate.fit.coefficients[position]
    return pd.Series(values)


def hazard_ratios(cohort: pd.DataFrame, trials: pd.DataFrame, number: int) -> pd.DataFrame:
    """Return naive and corrected hazard ratios of one cohort, as the steps write them."""
    settled = plan()
    measurement = Measurement(
        trials, cohort, settled["primary"], settled["cox"]["covariates"], "clearance"
    )
    found = [
        corrected_numbers(
            complete_case_model(cohort, settled["primary"], settled, outcome),
            measurement,
            "trial",
            settled,
            outcome,
            [SEED, number],
        )
        for outcome in settled["primary_outcomes"]
    ]
    rows = estimates_table(*found)
    return rows.loc[rows["quantity"] == "hazard_ratio"]


def coverage_table() -> pd.DataFrame:
    """Return coverage, bias and mean width per outcome, predictor and kind of estimate."""
    rng = np.random.default_rng(SEED)
    targets = {"naive": naive_of_huge_cohort(rng), "corrected": planted()}
    rows = pd.concat(
        [hazard_ratios(*draw(ATHLETES, rng), number) for number in range(COHORTS)],
        ignore_index=True,
    )
    names = rows["term"].str.removesuffix(".naive")
    kind = np.where(rows["term"].str.endswith(".naive"), "naive", "corrected")
    target = np.array(
        [targets[k][o, n] for k, o, n in zip(kind, rows["outcome"], names, strict=True)]
    )
    low, high = np.log(rows["ci_low"]), np.log(rows["ci_high"])
    table = pd.DataFrame(
        {
            "outcome": rows["outcome"],
            "predictor": names,
            "kind": kind,
            "target": target,
            "covered": (low <= target) & (target <= high),
            "bias": np.log(rows["estimate"]) - target,
            "events": rows["n_events"],
        }
    )
    keys = ["outcome", "predictor", "kind"]
    return table.groupby(keys, sort=True).agg(
        target=("target", "first"),
        coverage=("covered", "mean"),
        bias=("bias", "mean"),
        spread=("bias", "std"),
        events=("events", "mean"),
        cohorts=("covered", "size"),
    )


def as_markdown(table: pd.DataFrame) -> str:
    """Return the coverage table for the documentation."""
    lines = ["| outcome | predictor | estimate | target log HR | coverage | bias | SD | events |"]
    lines.append("|---|---|---|---|---|---|---|---|")
    for (outcome, predictor, kind), row in table.iterrows():
        numbers = f"{row.target:.3f} | {row.coverage:.3f} | {row.bias:.3f} | {row.spread:.3f}"
        lines.append(f"| {outcome} | {predictor} | {kind} | {numbers} | {row.events:.1f} |")
    return "\n".join(lines)


@pytest.mark.slow
def test_intervals_of_planted_effects_cover_as_they_say():
    table = coverage_table()
    assert (table["cohorts"] == COHORTS).all(), table.to_string()
    # 200 cohorts: Monte-Carlo standard error 1.5 % at 95 %.
    assert table["coverage"].between(0.90, 0.98).all(), table.to_string()
    # Partial-likelihood estimates from about 20 events lean outwards by a few per cent.
    assert (table["bias"].abs() < 0.1).all(), table.to_string()


if __name__ == "__main__":
    print(as_markdown(coverage_table()))
