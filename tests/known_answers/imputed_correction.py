"""Corrected and filled in together.

`python -m tests.known_answers.imputed_correction [COHORTS [SEED]]`.

Redrawn cohorts of `test_coverage` in which the sensor cuts off every trial of the second metric
above a limit, and every sixth athlete lacks the first metric, more often after an injury. The error
of trials is corrected in each completed data set, then pooled; beside it stand complete cases,
corrected as well. Both are held against the planted effects. No outside source: the truth is known.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from analysis.estimates import estimates_table
from analysis.models.calibrated_cox import corrected_numbers
from analysis.models.filled_cohort import FilledCohort
from analysis.models.impute_cohort import fill_in
from analysis.models.measurement import Measurement
from analysis.models.outcome_model import complete_case_model, primary_model
from tests.known_answers.test_coverage import ATHLETES, SEED, draw, planted
from tests.unit.cohort_tables import plan

CLIPPED_ABOVE = 1.0
"""SD of a trial; about a sixth of the trials, a fifth to a quarter of the athletes."""


def settled() -> dict:
    """Return the demo's plan without logarithms and auxiliary columns, which are not drawn."""
    own = plan()
    own["imputation"] |= {"log_scale": [], "auxiliary": []}
    return own


def with_gaps(
    cohort: pd.DataFrame, trials: pd.DataFrame, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return cohort and trials with missing excursions and clipped peaks."""
    excursion, peak = (predictor["name"] for predictor in plan()["primary"][:2])
    is_peak = trials["metric"] == "peak_waist_acceleration"
    limit = trials.loc[is_peak, "value"].mean() + CLIPPED_ABOVE * trials.loc[is_peak, "value"].std()
    cut = is_peak & (trials["value"] > limit)
    trials = trials.assign(
        value=trials["value"].mask(cut, limit), censoring=np.where(cut, "right", "none")
    )
    means = trials.loc[is_peak].groupby("athlete_id")["value"].mean()
    cohort = cohort.assign(included=True, **{peak: cohort["athlete_id"].map(means)})
    lost = rng.random(len(cohort)) < np.where(cohort["cause"].isin([1, 2]), 0.3, 0.13)
    gone = cohort.loc[lost, "athlete_id"]
    trials = trials.loc[
        ~(trials["athlete_id"].isin(gone) & (trials["metric"] == "knee_flexion_excursion"))
    ]
    cohort.loc[lost, excursion] = np.nan
    cohort.loc[lost, f"{excursion}_trials"] = 0
    return cohort, trials


def _rows(filled: FilledCohort, trials: pd.DataFrame, number: int) -> pd.DataFrame:
    own = settled()
    measurement = Measurement(
        trials, filled.measured, own["primary"], own["cox"]["covariates"], "clearance"
    )
    parts = []
    for outcome in own["primary_outcomes"]:
        models = {
            "filled in": primary_model(filled, own, outcome),
            "complete cases": complete_case_model(filled.measured, own["primary"], own, outcome),
        }
        for kind, model in models.items():
            found = corrected_numbers(model, measurement, "trial", own, outcome, [SEED, number])
            rows = estimates_table(found)
            shown = (rows["quantity"] == "hazard_ratio") & ~rows["term"].str.endswith("naive")
            parts.append(rows.loc[shown].assign(kind=kind))
    return pd.concat(parts, ignore_index=True)


def simulate(cohorts: int, seed: int) -> pd.DataFrame:
    """Return bias and coverage by outcome, predictor and handling."""
    rng = np.random.default_rng(seed)
    parts = []
    for number in range(cohorts):
        cohort, trials = with_gaps(*draw(ATHLETES, rng), rng)
        filled, _ = fill_in(cohort, trials, settled(), "clearance")
        parts.append(_rows(filled, trials, number))
    rows = pd.concat(parts, ignore_index=True)
    truth = planted()
    target = np.array([truth[key] for key in zip(rows["outcome"], rows["term"], strict=True)])
    rows["target"] = target
    rows["bias"] = np.log(rows["estimate"]) - target
    rows["covered"] = (np.log(rows["ci_low"]) <= target) & (target <= np.log(rows["ci_high"]))
    rows["width"] = np.log(rows["ci_high"]) - np.log(rows["ci_low"])
    return rows.groupby(["outcome", "term", "kind"]).agg(
        target=("target", "first"),
        bias=("bias", "mean"),
        coverage=("covered", "mean"),
        width=("width", "mean"),
        events=("n_events", "mean"),
        cohorts=("covered", "size"),
    )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    print(simulate(*(given + [200, SEED + 1][len(given) :])).round(3).to_string())
