"""Hazard ratios by simulation and extrapolation (SIMEX), beside those of regression calibration.

Both start from the same error model. SIMEX refits the hazard model with error added, so that it
needs no approximation of the hazard; how attenuation bends with the error is taken from the error
model, because the parabola of the method's first papers left half of the bias in simulated studies
(`tests/known_answers/SIMULATIONS.md`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates
from analysis.models.calibrated_cox import MEANING, corrected_terms
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_fit import CoxEstimate
from analysis.models.cox_rows import add_hazard_ratio, term_fields
from analysis.models.measurement_error import Corrected, ErrorModel, Level, correct
from analysis.models.term_inference import TermInference, estimate_only
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
    terms = _inferences(straight, model, deviations, float(plan["confidence_level"]), rng)
    for position, term in enumerate(design.terms[: design.n_predictors]):
        extra: EstimateFields = {"unit": "per SD of the true value", "note": note}
        if terms[position].interval == "none":
            extra["note"] = f"{note}; no interval: its variance was extrapolated below zero"
        add_hazard_ratio(numbers, outcome, (term.name,), term, terms[position], extra)
        fields = term_fields(term)
        fields["unit"] = "log hazard ratio"
        fields["note"] = "standard error that the finite number of refits leaves"
        left = float(np.sqrt(straight.simulation_covariance[position, position]))
        left *= float(deviations[position])
        numbers.add(outcome, term.name, "simulation_error", left, **fields)


def _inferences(
    straight: Straightened,
    model: ErrorModel,
    deviations: NDArray[Any],
    level: float,
    rng: np.random.Generator,
) -> tuple[TermInference, ...]:
    """Return the inference on each predictor, with what is unknown about the error."""
    found = correct_straightened(straight, model, rng)
    if found is None:
        return tuple(estimate_only(float(at), level) for at in straight.coefficients * deviations)
    return corrected_terms(found, deviations, level)


def correct_straightened(
    straight: Straightened, model: ErrorModel, rng: np.random.Generator
) -> Corrected | None:
    """Return the distribution of the coefficients; None where their variance is not positive.

    The coefficients without error are taken back to what a measured predictor would have shown
    under exact regression calibration, and from there as that correction goes: so both methods
    know equally much about the error.
    """
    if np.linalg.eigvalsh(straight.covariance).min() <= 0:
        return None
    back = np.linalg.solve(model.measured, model.measured - model.error)
    shown = back @ straight.coefficients
    return correct(shown, back @ straight.covariance @ back.T, model, rng)
