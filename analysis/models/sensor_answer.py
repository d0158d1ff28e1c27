"""Step: the direct answer. How good are the sensors for the question?

The same model, one predictor at a time, by plate and by wearable metric, in the athletes who have
all of them: only the measurement differs. Beside each hazard ratio stand the reliability of the
measurement, what its error leaves of a true association (attenuation), and the number of events
that would find the association.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import EstimateFields, Estimates, refusals, write_estimates
from analysis.mixed import ModelRefusedError
from analysis.models.calibrated_cox import corrected_terms, left_out
from analysis.models.cox_fit import Fitted, fit_outcome
from analysis.models.cox_rows import add_hazard_ratio, conventions, term_fields
from analysis.models.filled_cohort import COMPLETE_CASES
from analysis.models.measurement import LEVELS, Measurement
from analysis.models.measurement_error import Level, NotCorrectableError, correct
from analysis.survival.errors import SurvivalDataError
from analysis.survival.sample_size import events_for_covariate
from shared.tables import read_table

STEP = "analysis.models.sensor_answer:sensor_answer"


def compared_predictors(plan: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the plan's predictors of the tasks in which a plate measures one too."""
    predictors = [*plan["primary"], *plan["exploratory"]]
    tasks = {predictor["task"] for predictor in predictors if predictor["sensor"] == "plate"}
    return [predictor for predictor in predictors if predictor["task"] in tasks]


def athletes_with_all(cohort: pd.DataFrame, predictors: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """Return the athletes of the landmark cohort who have every one of the predictors."""
    rows = landmark_rows(cohort)
    names = [predictor["name"] for predictor in predictors]
    return rows.loc[rows[names].notna().all(axis=1)].reset_index(drop=True)


def _add_correction(
    numbers: Estimates,
    outcome: str,
    fitted: Fitted,
    measurement: Measurement,
    level: Level,
    plan: Mapping[str, Any],
) -> None:
    design, estimate = fitted
    term = design.terms[0]
    address = (term.name, f"{level}_error")
    if reason := estimate.cannot_be_corrected:
        numbers.not_run((outcome, *address), reason, outcome=outcome)
        return
    try:
        model = measurement.error_model(design, level)
        corrected = correct(
            estimate.coefficients[:1],
            estimate.covariance[:1, :1],
            model,
            np.random.default_rng([plan["seed"], LEVELS.index(level)]),
        )
        step = float(model.true_deviation[0])
    except (NotCorrectableError, ModelRefusedError) as error:
        numbers.not_run((outcome, *address), str(error), outcome=outcome)
        return
    reliability = float(model.reliability[0])
    fields = term_fields(term)
    fields["unit"] = "share"
    fields["note"] = "given covariates and strata"
    numbers.add(outcome, address, "reliability", reliability, **fields)
    fields["note"] = "among all athletes of the model, covariates and strata not taken out"
    marginal = float(model.marginal_reliability[0])
    numbers.add(outcome, address, "marginal_reliability", marginal, **fields)
    fields["unit"] = "per SD of the measured value"
    fields["note"] = (
        "what error leaves, in this adjusted model, of the reference hazard ratio per SD of the "
        "true value (both SDs among all athletes): reference ^ (reliability / sqrt of the marginal "
        "reliability)"
    )
    left = math.exp(float(model.attenuation[0]) * math.log(plan["reference_hazard_ratio"]))
    numbers.add(outcome, address, "attenuated_reference_hazard_ratio", left, **fields)
    level_of_interval = float(plan["confidence_level"])
    found = corrected_terms(corrected, np.array([step]), level_of_interval)[0]
    note = f"regression calibration{left_out(corrected)}"
    extra: EstimateFields = {"unit": "per SD of the true value", "note": note}
    add_hazard_ratio(numbers, outcome, address, term, found, extra)
    fields["unit"] = "events"
    fields["note"] = (
        f"{100 * plan['power']:g} % power, two-sided, for the reference hazard ratio per SD of "
        "the true value, in this model: covariates and strata take away their share of the "
        "measured variance (Hsieh & Lavori 2000)"
    )
    needed = events_needed(left, plan, float(model.explained[0]))
    numbers.add(outcome, address, "events_needed_reference", needed, **fields)


def events_needed(hazard_ratio: float, plan: Mapping[str, Any], explained: float = 0.0) -> float:
    """Return the events that find a hazard ratio per SD with the stated power.

    `explained` is the share of the predictor's variance that covariates and strata explain.
    """
    alpha = 1 - float(plan["confidence_level"])
    power = float(plan["power"])
    return events_for_covariate(hazard_ratio, r_squared=explained, power=power, alpha=alpha)


def predictor_numbers(
    fitted: Fitted, measurement: Measurement, plan: Mapping[str, Any], outcome: str
) -> Estimates:
    """Return hazard ratio, reliability, attenuation and events needed of one predictor."""
    design, estimate = fitted
    shared = conventions(plan, design, estimate, outcome)
    shared |= {"family": "secondary", "missing_data": COMPLETE_CASES}
    numbers = Estimates("sensor_answer", **shared)
    term, found = design.terms[0], estimate.terms[0]
    note = "one predictor alone, athletes who have the plate and the wearable metrics"
    add_hazard_ratio(numbers, outcome, (term.name,), term, found, {"note": note})
    fields = term_fields(term)
    fields["unit"] = "events"
    fields["note"] = (
        f"{100 * plan['power']:g} % power, two-sided, at the hazard ratio found here (itself "
        "uncertain), no adjustment"
    )
    if found.is_finite and found.coefficient != 0:
        ratio = float(np.exp(found.coefficient))
        needed = events_needed(ratio, plan)
        numbers.add(outcome, term.name, "events_needed_observed", needed, **fields)
    for level in LEVELS:
        _add_correction(numbers, outcome, fitted, measurement, level, plan)
    return numbers


def answer_numbers(
    cohort: pd.DataFrame, metrics: pd.DataFrame, plan: Mapping[str, Any], clearance_visit: str
) -> list[Estimates]:
    """Return the comparison of plate and wearable metrics for each primary outcome."""
    predictors = compared_predictors(plan)
    rows = athletes_with_all(cohort, predictors)
    refused = Estimates("sensor_answer", family="secondary")
    if not predictors or rows.empty:
        refused.not_run("all", "no athlete has both a plate and a wearable predictor of the plan")
        return [refused]
    refused.add("all", "all", "athletes_with_all_sensors", len(rows), unit="athletes")
    refused.add("all", "all", "reference_hazard_ratio", plan["reference_hazard_ratio"])
    found = [refused]
    for predictor in predictors:
        name, covariates = predictor["name"], plan["cox"]["covariates"]
        try:
            measurement = Measurement(metrics, rows, [predictor], covariates, clearance_visit)
        except ModelRefusedError as error:
            refused.not_run(name, str(error))
            continue
        for outcome in plan["primary_outcomes"]:
            try:
                fitted = fit_outcome(rows, [predictor], plan, outcome)
            except SurvivalDataError as error:
                refused.not_run((outcome, name), str(error), outcome=outcome)
                continue
            found.append(predictor_numbers(fitted, measurement, plan, outcome))
    return found


def sensor_answer(
    *,
    cohort: Path,
    metrics: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write what plate and wearable metrics can say about the same question."""
    if reason := reason_not_to_run(freeze):
        found = refusals(["sensor_answer"], "all", reason, family="secondary")
    else:
        found = answer_numbers(
            read_table(cohort), read_table(metrics), plan, study["clearance_visit"]
        )
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort, "metrics": metrics})
