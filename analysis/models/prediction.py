"""Step: the prediction model of the plan, judged in the group; nothing of any athlete is kept.

The question is what landing metrics add to what is known without a sensor. No coefficient, score
or risk of an athlete is written: only performance, with optimism taken away, and what sample the
question would need.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import EstimateFields, Estimates, refusals, write_estimates
from analysis.models.prediction_design import PredictionDesign, prediction_design
from analysis.models.prediction_rows import (
    CURVE,
    NULL,
    PERFORMANCE,
    SITES,
    SIZE,
    add_curves,
    add_null,
    add_performance,
    add_size,
)
from analysis.models.prediction_sites import add_sites
from analysis.prediction.added_value import (
    calibration_errors,
    curve_points,
    judge_all,
    judge_discrimination,
)
from analysis.prediction.optimism import optimism_bootstrap, permutation_null
from analysis.prediction.weighted_calibration import complementary_log_log
from analysis.survival.errors import SurvivalDataError
from analysis.survival.splines import spline_knots
from shared.tables import read_table

STEP = "analysis.models.prediction:prediction"
ANALYSES = (SIZE, PERFORMANCE, NULL, CURVE, SITES)
NOT_ASKED = "not asked for by the plan"

CURVE_POINTS = 20
"""Points of the calibration curve; it is smooth, so more would only add rows."""


def thresholds_of(chosen: Mapping[str, Any]) -> np.ndarray:
    """Return the threshold risks of the plan, the last included."""
    span = chosen["thresholds"]
    steps = int(np.floor((span["last"] - span["first"]) / span["step"] + 1e-9))
    return np.round(span["first"] + span["step"] * np.arange(steps + 1), 10)


def conventions(design: PredictionDesign, plan: Mapping[str, Any]) -> EstimateFields:
    """Return the columns that all rows of the prediction share."""
    chosen = plan["prediction"]
    penalty = "ridge penalty chosen by Akaike's criterion" if chosen["penalties"] else "no penalty"
    return {
        "model": f"absolute risk from two cause-specific Cox models, {penalty}, no strata",
        "family": "exploratory",
        "outcome": chosen["outcome"],
        "n_athletes": design.n,
        "n_events": design.n_events,
        "rows_dropped": design.dropped,
        "ties": "efron",
        "horizon_days": float(chosen["horizon_days"]),
        "time_days": float(chosen["horizon_days"]),
        "censoring": "inverse probability of censoring weights (Kaplan-Meier); other ends compete",
    }


def prediction_numbers(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> list[Estimates]:
    """Return what sample is needed, performance, its null, curves, and performance by site."""
    chosen = plan["prediction"]
    outcome = chosen["outcome"]
    try:
        design = prediction_design(cohort, plan)
    except SurvivalDataError as error:
        return refusals(ANALYSES, outcome, str(error), family="exploratory", outcome=outcome)
    shared = conventions(design, plan)
    size, performance, null, curve, sites = (Estimates(name, **shared) for name in ANALYSES)
    add_size(size, design, chosen)
    try:
        _judge(performance, null, curve, design, plan)
    except SurvivalDataError as error:
        # All or nothing: a curve without the performance behind it would mislead.
        refused = refusals(
            (PERFORMANCE, NULL, CURVE), outcome, str(error), family="exploratory", outcome=outcome
        )
        performance, null, curve = refused
    add_sites(sites, design, plan)
    return [size, performance, null, curve, sites]


def _judge(
    performance: Estimates,
    null: Estimates,
    curve: Estimates,
    design: PredictionDesign,
    plan: Mapping[str, Any],
) -> None:
    chosen, level = plan["prediction"], float(plan["confidence_level"])
    build = design.builder(chosen["penalties"])
    everyone = np.arange(design.n, dtype=np.intp)
    risks = build(everyone, everyone)(everyone)
    thresholds = thresholds_of(chosen)
    knots, along = _curve_grid(risks[:, 1], chosen["curve_knots"])
    found = optimism_bootstrap(
        design.n,
        build,
        judge_all(design.outcome, thresholds, knots, along),
        resamples=chosen["bootstrap"],
        seed=chosen["seed"],
        level=level,
    )
    shuffled = permutation_null(
        design.n,
        build,
        judge_discrimination(design.outcome),
        permutations=chosen["permutations"],
        seed=chosen["seed"] + 1,
        level=level,
    )
    add_performance(
        performance, chosen["outcome"], found, calibration_errors(risks, design.outcome)
    )
    add_null(null, chosen["outcome"], shuffled)
    add_curves(curve, chosen["outcome"], found, thresholds, along)


def _curve_grid(risk: np.ndarray, knots: int) -> tuple[np.ndarray, np.ndarray]:
    try:
        places = spline_knots(complementary_log_log(risk), knots)
    except ValueError as error:
        raise SurvivalDataError(
            f"the predicted risks carry no calibration curve: {error}"
        ) from error
    return places, curve_points(risk, CURVE_POINTS)


def prediction(
    *, cohort: Path, estimates: Path, plan: dict[str, Any], freeze: dict[str, Any]
) -> None:
    """Write how well the prediction of the plan works in the group, or why nothing was done."""
    reason = NOT_ASKED if plan["prediction"] is None else reason_not_to_run(freeze)
    if reason:
        found = refusals(ANALYSES, "all", reason, family="exploratory")
    else:
        found = prediction_numbers(landmark_rows(read_table(cohort)), plan)
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort})
