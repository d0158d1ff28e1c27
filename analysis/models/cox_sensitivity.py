"""Step: what the primary models would say under another choice.

Form of an effect (spline against straight line), error of measurement (SIMEX), unmeasured
confounding (E-value), and single events (refits without each one). Nothing here replaces a
primary estimate.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import Estimates, refusals, write_estimates
from analysis.mixed import ModelRefusedError
from analysis.models import cox_e_values, cox_nonlinearity, cox_without_event
from analysis.models.cox_models import Fitted, fit_outcome
from analysis.models.cox_rows import conventions
from analysis.models.cox_simex import add_simex, extrapolated
from analysis.models.measurement import LEVELS, Measurement
from analysis.models.measurement_error import Level
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.cox_sensitivity:cox_sensitivity"

SIMEX: dict[Level, str] = {level: f"cox_simex_{level}_error" for level in LEVELS}
ANALYSES = (
    cox_nonlinearity.ANALYSIS,
    *SIMEX.values(),
    cox_e_values.ANALYSIS,
    cox_without_event.ANALYSIS,
)


def simex_numbers(
    fitted: Fitted,
    measurement: Measurement,
    level: Level,
    plan: Mapping[str, Any],
    outcome: str,
    rng: np.random.Generator,
) -> Estimates:
    """Return the hazard ratios of one outcome without the error of one level."""
    design, estimate = fitted
    shared = conventions(plan, design, estimate, outcome)
    shared |= {"family": "secondary", "estimation": "partial likelihood, SIMEX"}
    numbers = Estimates(SIMEX[level], **shared)
    try:
        model = measurement.error_model(design, level)
        found = extrapolated(design, estimate, model, plan["sensitivity"]["simex"]["refits"], rng)
        add_simex(numbers, outcome, design, estimate, found, model, level, plan, rng)
    except (ModelRefusedError, ValueError) as error:
        numbers.not_run(outcome, str(error))
    return numbers


def form_numbers(fitted: Fitted, plan: Mapping[str, Any], outcome: str) -> list[Estimates]:
    """Return what needs the model alone: non-linearity, E-values, refits without one event."""
    design, estimate = fitted
    settings = plan["sensitivity"]
    shared = conventions(plan, design, estimate, outcome)
    shared["family"] = "secondary"
    curved, confounded, single = (
        Estimates(module.ANALYSIS, **shared)
        for module in (cox_nonlinearity, cox_e_values, cox_without_event)
    )
    cox_nonlinearity.add_nonlinearity(curved, outcome, design, estimate, settings["spline_knots"])
    cox_e_values.add_e_values(confounded, outcome, design, estimate, settings["rare_outcome_below"])
    cox_without_event.add_range(
        single, outcome, design, estimate, settings["leave_one_event_out_below"]
    )
    return [curved, confounded, single]


def sensitivity_numbers(
    cohort: pd.DataFrame, metrics: pd.DataFrame, plan: Mapping[str, Any], clearance_visit: str
) -> list[Estimates]:
    """Return the sensitivity analyses of every primary outcome."""
    rows = landmark_rows(cohort)
    measurement: Measurement | None = None
    unmeasured = ""
    try:
        measurement = Measurement(
            metrics, rows, plan["primary"], plan["cox"]["covariates"], clearance_visit
        )
    except ModelRefusedError as error:
        unmeasured = str(error)
    found: list[Estimates] = []
    for order, outcome in enumerate(plan["primary_outcomes"]):
        try:
            fitted = fit_outcome(rows, plan["primary"], plan, outcome)
        except SurvivalDataError as error:
            found += refusals(ANALYSES, outcome, str(error), family="secondary")
            continue
        if reason := fitted[1].cannot_be_corrected:
            found += refusals(ANALYSES, outcome, reason, family="secondary")
            continue
        found += form_numbers(fitted, plan, outcome)
        if measurement is None:
            found += refusals(SIMEX.values(), outcome, unmeasured, family="secondary")
            continue
        for place, level in enumerate(LEVELS):
            rng = np.random.default_rng([plan["sensitivity"]["simex"]["seed"], order, place])
            found.append(simex_numbers(fitted, measurement, level, plan, outcome, rng))
    return found


def cox_sensitivity(
    *,
    cohort: Path,
    metrics: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write what the primary models would say under another choice."""
    if reason := reason_not_to_run(freeze):
        found = refusals(ANALYSES, "all", reason, family="secondary")
    else:
        found = sensitivity_numbers(
            read_table(cohort), read_table(metrics), plan, study["clearance_visit"]
        )
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort, "metrics": metrics})
