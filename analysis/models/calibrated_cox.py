"""Step: hazard ratios corrected for the error of measurement, beside the naive ones.

Two meanings of the true value are kept apart. `trial_error`: the athlete's status at the clearance
visit, known with the error of the trials. `visit_error`: the habitual value, known with the error
of trials and of what changes between visits; a test at clearance usually stands for this one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import EstimateFields, Estimates, refusals, write_estimates
from analysis.mixed import ModelRefusedError
from analysis.models.cox_models import Fitted, fit_outcome
from analysis.models.cox_rows import add_hazard_ratio, conventions, term_fields
from analysis.models.measurement import LEVELS, Measurement
from analysis.models.measurement_error import Corrected, Level, NotCorrectableError, correct
from analysis.models.reliability import mean_inverse_trials
from analysis.models.term_inference import TermInference, corrected
from analysis.models.variables import predictor_variable
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.calibrated_cox:calibrated_cox"

MEANING = {
    "trial": "true value: status at the clearance visit; error: trials",
    "visit": "true value: habitual, across visits; error: trials and visits",
}


def component_numbers(
    measurement: Measurement, rows: pd.DataFrame, predictors: Sequence[dict[str, Any]]
) -> list[Estimates]:
    """Return variance components and reliability of each predictor's mean at clearance."""
    found = []
    for predictor in predictors:
        name = predictor["name"]
        part = measurement.components[name]
        variable = predictor_variable(predictor)
        shared = variable.fields(variable.unit, part.n_athletes)
        shared["model"] = "linear mixed model of trials: covariates + site + visit"
        shared["estimation"] = "REML"
        shared["converged"] = part.converged
        shared["singular"] = part.singular
        shared["n_trials"] = part.n_trials
        numbers = Estimates("measurement_error", **shared)
        numbers.add(name, "athlete", "standard_deviation", part.athlete**0.5)
        numbers.add(name, "trial", "standard_deviation", part.trial**0.5)
        if part.visit is not None:
            numbers.add(name, "visit_in_athlete", "standard_deviation", part.visit**0.5)
            repeated = part.n_repeated
            numbers.add(name, "all", "athletes_with_two_visits", repeated, unit="athletes")
        known = rows.loc[rows[name].notna()]
        for level in LEVELS:
            if level == "visit" and part.visit is None:
                reason = "no athlete was measured at two visits"
                numbers.not_run((name, f"{level}_error"), reason)
                continue
            value = part.reliability(level, mean_inverse_trials(known, name))
            note = f"reliability of the mean of an athlete's trials; {MEANING[level]}"
            numbers.add(name, f"{level}_error", "reliability", value, unit="share", note=note)
        found.append(numbers)
    return found


def corrected_terms(
    found: Corrected, steps: NDArray[Any], level: float
) -> tuple[TermInference, ...]:
    """Return the inference on each coefficient per its step (p,), the SD of the true predictor."""
    limits = found.limits(level) * steps[:, None]
    columns = (found.coefficients * steps, found.standard_errors() * steps, *limits.T)
    return tuple(
        corrected(float(at), float(se), float(low), float(high), float(p), level)
        for at, se, low, high, p in zip(*columns, found.p_values(), strict=True)
    )


def left_out(found: Corrected) -> str:
    """Return what to say of draws without true variance; '' where all had some."""
    if found.unusable == 0:
        return ""
    return f" ({100 * found.unusable:.2g} % of its draws left no true variance and are left out)"


def corrected_numbers(
    fitted: Fitted,
    measurement: Measurement,
    level: Level,
    plan: Mapping[str, Any],
    outcome: str,
    rng: np.random.Generator,
) -> Estimates:
    """Return naive and corrected hazard ratios of one outcome, side by side."""
    design, estimate = fitted
    shared = conventions(plan, design, estimate, outcome)
    shared["family"] = "secondary"
    numbers = Estimates(f"cox_calibrated_{level}_error", **shared)
    count = design.n_predictors
    if reason := estimate.cannot_be_corrected:
        numbers.not_run(outcome, reason)
        return numbers
    try:
        model = measurement.error_model(design, level)
        deviations = model.true_deviation
        covariance = estimate.covariance[:count, :count]
        found = correct(estimate.coefficients[:count], covariance, model, rng)
    except (NotCorrectableError, ModelRefusedError) as error:
        numbers.not_run(outcome, str(error))
        return numbers
    note = (
        f"regression calibration of all predictors together; {MEANING[level]}; the interval "
        f"includes what is unknown about the error{left_out(found)}"
    )
    inferences = corrected_terms(found, deviations, float(plan["confidence_level"]))
    for position, term in enumerate(design.terms[:count]):
        step = float(deviations[position])
        extra: EstimateFields = {"note": note, "unit": "per SD of the true value"}
        add_hazard_ratio(numbers, outcome, (term.name,), term, inferences[position], extra)
        naive: EstimateFields = {"note": "not corrected", "unit": "per SD of the measured value"}
        measured = estimate.terms[position]
        add_hazard_ratio(numbers, outcome, (term.name, "naive"), term, measured, naive)
        fields = term_fields(term)
        fields["unit"] = "share"
        fields["note"] = f"given covariates and strata; {MEANING[level]}"
        value = float(model.reliability[position])
        numbers.add(outcome, term.name, "reliability", value, **fields)
        fields["unit"] = term.variable.unit
        fields["note"] = f"{MEANING[level]}"
        true = step * term.scale
        numbers.add(outcome, term.name, "true_standard_deviation", true, **fields)
    return numbers


def _refused(reason: str, outcome: str = "all") -> list[Estimates]:
    analyses = [f"cox_calibrated_{level}_error" for level in LEVELS]
    return refusals(analyses, outcome, reason, family="secondary")


def calibrated_numbers(
    cohort: pd.DataFrame,
    metrics: pd.DataFrame,
    plan: Mapping[str, Any],
    clearance_visit: str,
    with_outcomes: bool,
) -> list[Estimates]:
    """Return reliability of the primary predictors and their corrected hazard ratios.

    Reliability needs no outcome and is given under any state of the plan.
    """
    rows = landmark_rows(cohort)
    try:
        measurement = Measurement(
            metrics, rows, plan["primary"], plan["cox"]["covariates"], clearance_visit
        )
    except ModelRefusedError as error:
        unknown = refusals(["measurement_error"], "all", str(error))
        return [*unknown, *(_refused(str(error)) if with_outcomes else ())]
    found = component_numbers(measurement, rows, plan["primary"])
    for order, outcome in enumerate(plan["outcomes"] if with_outcomes else ()):
        try:
            fitted = fit_outcome(rows, plan["primary"], plan, outcome)
        except SurvivalDataError as error:
            found += _refused(str(error), outcome)
            continue
        for level in LEVELS:
            rng = np.random.default_rng([plan["seed"], order, LEVELS.index(level)])
            found.append(corrected_numbers(fitted, measurement, level, plan, outcome, rng))
    return found


def calibrated_cox(
    *,
    cohort: Path,
    metrics: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write reliability, naive and corrected hazard ratios of the primary predictors."""
    reason = reason_not_to_run(freeze)
    found = calibrated_numbers(
        read_table(cohort), read_table(metrics), plan, study["clearance_visit"], not reason
    )
    if reason:
        found += _refused(reason)
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort, "metrics": metrics})
