"""Step: what the primary models would say under another choice.

Form of an effect (spline against straight line), unmeasured confounding (E-value) and single events
(refits without each one) start from the primary models, pooled where these are. SIMEX is made on
complete cases: its refits in every completed data set would take minutes. Nothing here replaces a
primary estimate.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.estimates import Estimates, refusals, write_estimates
from analysis.mixed import ModelRefusedError
from analysis.models import cox_e_values, cox_nonlinearity, cox_without_event
from analysis.models.cox_simex import add_simex, extrapolated
from analysis.models.filled_cohort import FilledCohort, read_filled_cohort
from analysis.models.measurement import LEVELS, Measurement
from analysis.models.measurement_error import Level
from analysis.models.outcome_model import OutcomeModel, complete_case_model, primary_model
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.cox_sensitivity:cox_sensitivity"

SIMEX: dict[Level, str] = {level: f"cox_simex_{level}_error" for level in LEVELS}
OF_FORM = (cox_nonlinearity.ANALYSIS, cox_e_values.ANALYSIS, cox_without_event.ANALYSIS)
ANALYSES = (*OF_FORM, *SIMEX.values())


def simex_numbers(
    complete: OutcomeModel,
    measurement: Measurement,
    level: Level,
    plan: Mapping[str, Any],
    outcome: str,
    rng: np.random.Generator,
) -> Estimates:
    """Return the hazard ratios of one outcome without the error of one level."""
    design, estimate = complete.fits[0]
    shared = complete.shared_fields(plan, outcome)
    shared |= {"family": "secondary", "estimation": f"{estimate.estimation}, SIMEX"}
    numbers = Estimates(SIMEX[level], **shared)
    try:
        model = measurement.error_model(design, level)
        found = extrapolated(design, estimate, model, plan["sensitivity"]["simex"]["refits"], rng)
        add_simex(numbers, outcome, design, estimate, found, model, level, plan, rng)
    except (ModelRefusedError, ValueError) as error:
        numbers.not_run(outcome, str(error))
    return numbers


def form_numbers(model: OutcomeModel, plan: Mapping[str, Any], outcome: str) -> list[Estimates]:
    """Return what needs the model alone: non-linearity, E-values, refits without one event."""
    settings = plan["sensitivity"]
    shared = model.shared_fields(plan, outcome)
    shared["family"] = "secondary"
    curved, confounded, single = (
        Estimates(module.ANALYSIS, **shared)
        for module in (cox_nonlinearity, cox_e_values, cox_without_event)
    )
    cox_nonlinearity.add_nonlinearity(curved, outcome, model, settings["spline_knots"])
    cox_e_values.add_e_values(confounded, outcome, model, settings["rare_outcome_below"])
    level = float(plan["confidence_level"])
    cox_without_event.add_range(
        single, outcome, model, settings["leave_one_event_out_below"], level
    )
    return [curved, confounded, single]


def _simex_of_outcome(
    rows: pd.DataFrame,
    measurement: Measurement | str,
    plan: Mapping[str, Any],
    outcome: str,
    order: int,
) -> list[Estimates]:
    """Return both levels of one outcome; `measurement` is a reason where the error is unknown."""
    if isinstance(measurement, str):
        return refusals(SIMEX.values(), outcome, measurement, family="secondary")
    try:
        complete = complete_case_model(rows, plan["primary"], plan, outcome)
    except SurvivalDataError as error:
        return refusals(SIMEX.values(), outcome, str(error), family="secondary")
    if reason := complete.cannot_be_corrected:
        return refusals(SIMEX.values(), outcome, reason, family="secondary")
    seed = plan["sensitivity"]["simex"]["seed"]
    return [
        simex_numbers(
            complete, measurement, level, plan, outcome, np.random.default_rng([seed, order, place])
        )
        for place, level in enumerate(LEVELS)
    ]


def _measurement(
    metrics: pd.DataFrame, rows: pd.DataFrame, plan: Mapping[str, Any], visit: str
) -> Measurement | str:
    try:
        return Measurement(metrics, rows, plan["primary"], plan["cox"]["covariates"], visit)
    except ModelRefusedError as error:
        return str(error)


def sensitivity_numbers(
    filled: FilledCohort, metrics: pd.DataFrame, plan: Mapping[str, Any], clearance_visit: str
) -> list[Estimates]:
    """Return the sensitivity analyses of every primary outcome."""
    rows = filled.measured
    measurement = _measurement(metrics, rows, plan, clearance_visit)
    found: list[Estimates] = []
    for order, outcome in enumerate(plan["primary_outcomes"]):
        found += _simex_of_outcome(rows, measurement, plan, outcome, order)
        try:
            model = primary_model(filled, plan, outcome)
        except SurvivalDataError as error:
            found += refusals(OF_FORM, outcome, str(error), family="secondary")
            continue
        if reason := model.cannot_be_corrected:
            found += refusals(OF_FORM, outcome, reason, family="secondary")
            continue
        found += form_numbers(model, plan, outcome)
    return found


def cox_sensitivity(
    *,
    cohort: Path,
    metrics: Path,
    filled: Path,
    imputation: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write what the primary models would say under another choice."""
    if reason := reason_not_to_run(freeze):
        found = refusals(ANALYSES, "all", reason, family="secondary")
    else:
        whole = read_filled_cohort(cohort, filled, imputation)
        found = sensitivity_numbers(whole, read_table(metrics), plan, study["clearance_visit"])
    inputs = {"cohort": cohort, "metrics": metrics, "filled": filled, "imputation": imputation}
    write_estimates(estimates, *found, step=STEP, inputs=inputs)
