"""Step: hazard ratios corrected for the error of measurement, beside the naive ones.

Two meanings of the true value are kept apart. `trial_error`: the athlete's status at the clearance
visit, known with the error of the trials. `visit_error`: the habitual value, known with the error
of trials and of what changes between visits; a test at clearance usually stands for this one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.estimates import EstimateFields, Estimates, refusals, write_estimates
from analysis.mixed import ModelRefusedError
from analysis.models.cox_rows import add_hazard_ratio, term_fields
from analysis.models.filled_cohort import FilledCohort, read_filled_cohort
from analysis.models.measurement import LEVELS, Measurement
from analysis.models.measurement_error import (
    Corrected,
    Level,
    NotCorrectableError,
    correct,
    pooled,
)
from analysis.models.outcome_model import OutcomeModel, complete_case_model, primary_model
from analysis.models.reliability import mean_inverse_trials
from analysis.models.term_inference import TermInference, corrected
from analysis.models.variables import predictor_variable
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.calibrated_cox:calibrated_cox"

COMPLETE = "complete_cases"
"""Stands behind a term in the addresses of what rests on complete cases beside the primary rows."""

POOLED_DRAWS = "none: pooled within each draw, which is normal; draws are mixed"
"""The missing information beside it is the median over draws of the share between data sets."""

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


@dataclass(frozen=True)
class _Correction:
    """Corrected coefficients; SD of the true predictors, in steps of the design; reliability."""

    found: Corrected
    deviations: NDArray[Any]
    reliability: NDArray[Any]


def _correction(
    model: OutcomeModel, measurement: Measurement, level: Level, seed: Sequence[int]
) -> _Correction:
    count = model.design.n_predictors
    errors = [measurement.error_model(design, level) for design, _ in model.fits]
    # Clipped values as recorded vary too little, so the SD of the true value is of completed data.
    deviations = np.sqrt(np.mean([error.true_deviation**2 for error in errors], axis=0))
    # One stream for all data sets: what is unknown of the error is the same in each.
    found = [
        correct(
            estimate.coefficients[:count],
            estimate.covariance[:count, :count],
            error,
            np.random.default_rng(seed),
        )
        for error, (_, estimate) in zip(errors, model.fits, strict=True)
    ]
    reliability = np.mean([error.reliability for error in errors], axis=0)
    return _Correction(pooled(found) if model.pooled else found[0], deviations, reliability)


def corrected_numbers(
    model: OutcomeModel,
    measurement: Measurement,
    level: Level,
    plan: Mapping[str, Any],
    outcome: str,
    seed: Sequence[int],
    data: str = "",
) -> Estimates:
    """Return naive and corrected hazard ratios of one outcome, side by side.

    Where gaps were filled in, each completed data set is corrected and the corrected coefficients
    are pooled: Rubin's rules (Rubin 1987) hold for the estimate that complete data would have
    given, which is the corrected one. Values are filled in as measured ones, with their error, so
    that there is one correction, not two.

    Parameters
    ----------
    data
        Stands behind each term in addresses; it names the rows of the fits, '' the primary ones.
    """
    level_shown = float(plan["confidence_level"])
    shared = model.shared_fields(plan, outcome)
    shared["family"] = "secondary"
    numbers = Estimates(f"cox_calibrated_{level}_error", **shared)
    if reason := model.cannot_be_corrected:
        numbers.not_run((outcome, data), reason)
        return numbers
    try:
        correction = _correction(model, measurement, level, seed)
    except (NotCorrectableError, ModelRefusedError) as error:
        numbers.not_run((outcome, data), str(error))
        return numbers
    note = (
        f"regression calibration of all predictors together; {MEANING[level]}; the interval "
        f"includes what is unknown about the error{left_out(correction.found)}"
    )
    inferences = corrected_terms(correction.found, correction.deviations, level_shown)
    for place, term in enumerate(model.terms[: model.design.n_predictors]):
        extra: EstimateFields = {"unit": "per SD of the true value"}
        extra["note"] = "; ".join(words for words in (note, model.note) if words)
        if model.pooled:
            share = float(correction.found.missing_information[place])
            extra |= {"missing_information": share, "df_method": POOLED_DRAWS}
        address = (term.name, data)
        add_hazard_ratio(numbers, outcome, address, term, inferences[place], extra)
        naive = model.term_row(place)
        naive["note"] = "; ".join(words for words in ("not corrected", model.note) if words)
        naive["unit"] = "per SD of the measured value"
        measured = model.inferences[place]
        add_hazard_ratio(numbers, outcome, (term.name, data, "naive"), term, measured, naive)
        fields = term_fields(term)
        fields["unit"] = "share"
        fields["note"] = f"given covariates and strata; {MEANING[level]}"
        value = float(correction.reliability[place])
        numbers.add(outcome, address, "reliability", value, **fields)
        fields["unit"] = term.variable.unit
        fields["note"] = f"{MEANING[level]}; over completed data sets where gaps were filled in"
        true = float(correction.deviations[place]) * term.scale
        numbers.add(outcome, address, "true_standard_deviation", true, **fields)
    return numbers


def _refused(reason: str, outcome: str = "all") -> list[Estimates]:
    analyses = [f"cox_calibrated_{level}_error" for level in LEVELS]
    return refusals(analyses, outcome, reason, family="secondary")


def _outcome_numbers(
    filled: FilledCohort,
    measurement: Measurement,
    plan: Mapping[str, Any],
    outcome: str,
    order: int,
) -> list[Estimates]:
    try:
        model = primary_model(filled, plan, outcome)
    except SurvivalDataError as error:
        return _refused(str(error), outcome)
    models = {"": model}
    if model.pooled:
        # The complete cases as well: SIMEX beside them would take too long in every data set.
        measured = filled.measured
        with suppress(SurvivalDataError):
            complete = complete_case_model(measured, plan["primary"], plan, outcome)
            models[COMPLETE] = complete
    return [
        corrected_numbers(
            each, measurement, level, plan, outcome, [plan["seed"], order, place], data
        )
        for place, level in enumerate(LEVELS)
        for data, each in models.items()
    ]


def calibrated_numbers(
    filled: FilledCohort,
    metrics: pd.DataFrame,
    plan: Mapping[str, Any],
    clearance_visit: str,
    with_outcomes: bool,
) -> list[Estimates]:
    """Return reliability of the primary predictors and their corrected hazard ratios.

    Reliability needs no outcome and is given under any state of the plan.
    """
    rows = filled.measured
    try:
        measurement = Measurement(
            metrics, rows, plan["primary"], plan["cox"]["covariates"], clearance_visit
        )
    except ModelRefusedError as error:
        unknown = refusals(["measurement_error"], "all", str(error))
        return [*unknown, *(_refused(str(error)) if with_outcomes else ())]
    found = component_numbers(measurement, rows, plan["primary"])
    for order, outcome in enumerate(plan["outcomes"] if with_outcomes else ()):
        found += _outcome_numbers(filled, measurement, plan, outcome, order)
    return found


def calibrated_cox(
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
    """Write reliability, naive and corrected hazard ratios of the primary predictors."""
    reason = reason_not_to_run(freeze)
    whole = read_filled_cohort(cohort, filled, imputation)
    found = calibrated_numbers(
        whole, read_table(metrics), plan, study["clearance_visit"], not reason
    )
    if reason:
        found += _refused(reason)
    inputs = {"cohort": cohort, "metrics": metrics, "filled": filled, "imputation": imputation}
    write_estimates(estimates, *found, step=STEP, inputs=inputs)
