"""Hazard ratios by simulation and extrapolation (SIMEX), beside those of regression calibration.

Both start from the same error model. SIMEX refits the hazard model with error added, so that it
needs no approximation of the hazard; how attenuation bends with the error is taken from the error
model, because the parabola of the method's first papers left much of the bias in simulated studies
(`tests/known_answers/SIMULATIONS.md`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates
from analysis.models.calibrated_cox import MEANING, corrected_terms, left_out
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_fit import CoxEstimate
from analysis.models.cox_rows import add_hazard_ratio, term_fields
from analysis.models.measurement_error import Corrected, ErrorModel, Level, correct
from analysis.sensitivity.simex import Refit, Simex, Straightened, simex, straightened
from analysis.survival.cox_sample import with_covariates


def refit_of(estimate: CoxEstimate, count: int) -> Refit:
    """Return what refits a model, by its own estimator, with its first `count` columns replaced.

    It returns their coefficients (count,) and covariance (count, count), and raises
    `SurvivalDataError` where they have no finite estimate.
    """
    sample = estimate.sample
    others = sample.covariates[:, count:]

    def refit(predictors: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        moved = with_covariates(sample, np.column_stack([predictors, others]), sample.names)
        coefficients, covariance = estimate.refit(moved)
        return coefficients[:count], covariance[:count, :count]

    return refit


def extrapolated(
    design: CoxDesign,
    estimate: CoxEstimate,
    model: ErrorModel,
    refits: int,
    rng: np.random.Generator,
) -> Simex:
    """Return the coefficients of a design's predictors, per step of the design, without error.

    Raises
    ------
    ValueError
        Too many refits have no estimate.
    """
    count = design.n_predictors
    refit = refit_of(estimate, count)
    predictors = design.matrix[:, :count]
    return simex(predictors, model.error, refit, repeats=refits, rng=rng)


def add_simex(
    numbers: Estimates,
    outcome: str,
    design: CoxDesign,
    estimate: CoxEstimate,
    found: Simex,
    model: ErrorModel,
    level: Level,
    plan: Mapping[str, Any],
    rng: np.random.Generator,
) -> None:
    """Add the hazard ratio of each predictor per SD of its true value.

    Raises
    ------
    NotCorrectableError
        The error of a predictor is larger than its variation.
    """
    refits = plan["sensitivity"]["simex"]["refits"]
    straight = straightened(found, model.measured, model.error)
    note = (
        f"SIMEX, all predictors together, {refits} refits at each of {len(found.lambdas) - 1} "
        f"steps of added error, {found.failed} without estimate, extrapolated along the shape of "
        f"attenuation; {MEANING[level]}"
    )
    deviations = model.true_deviation
    corrected = corrected_by_simex(straight, estimate, model, rng)
    note += f"; interval as of regression calibration{left_out(corrected)}"
    terms = corrected_terms(corrected, deviations, float(plan["confidence_level"]))
    for position, term in enumerate(design.terms[: design.n_predictors]):
        extra: EstimateFields = {"unit": "per SD of the true value", "note": note}
        add_hazard_ratio(numbers, outcome, (term.name,), term, terms[position], extra)
        fields = term_fields(term)
        fields["unit"] = "log hazard ratio"
        fields["note"] = "standard error that the finite number of refits leaves"
        left = float(np.sqrt(straight.simulation_covariance[position, position]))
        left *= float(deviations[position])
        numbers.add(outcome, term.name, "simulation_error", left, **fields)


def corrected_by_simex(
    straight: Straightened, estimate: CoxEstimate, model: ErrorModel, rng: np.random.Generator
) -> Corrected:
    """Return the coefficients by SIMEX with the uncertainty of regression calibration.

    The method's own variance, extrapolated from refits, is left out: with 100 refits it was off by
    up to 15 % even in the linear model of `tests/published/test_error_and_missing.py`. The
    straightened curve is nearly flat, so that both corrections have nearly the same variance.
    """
    count = len(straight.coefficients)
    return correct(straight.as_measured, estimate.covariance[:count, :count], model, rng)
