"""Hazard ratios by simulation and extrapolation (SIMEX), beside those of regression calibration.

Both start from the same error model; SIMEX takes it as known and needs no assumption on how the
true values are distributed. Its quadratic extrapolation stays biased towards the measured value.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates
from analysis.models.calibrated_cox import MEANING
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_fit import CoxEstimate
from analysis.models.cox_rows import add_hazard_ratio, term_fields
from analysis.models.measurement_error import ErrorModel, Level
from analysis.models.term_inference import estimate_only, wald
from analysis.sensitivity.simex import Refit, Simex, simex
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import CoxSample, Ties, with_covariates
from analysis.survival.errors import SurvivalDataError


def refit_of(sample: CoxSample, count: int, ties: Ties) -> Refit:
    """Return what refits a model with its first `count` columns replaced.

    It returns their coefficients (count,) and covariance (count, count), and raises
    `SurvivalDataError` where they have no finite estimate.
    """
    others = sample.covariates[:, count:]

    def refit(predictors: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        moved = with_covariates(sample, np.column_stack([predictors, others]), sample.names)
        fit = fit_cox(moved, ties=ties)
        if not fit.converged:
            raise SurvivalDataError("a refit with added error has no finite estimate")
        return fit.coefficients[:count], fit.covariance[:count, :count]

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
    refit = refit_of(estimate.sample, count, estimate.fit.ties)
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
) -> None:
    """Add the hazard ratio of each predictor per SD of its true value.

    Raises
    ------
    NotCorrectableError
        The error of a predictor is larger than its variation.
    """
    refits = plan["sensitivity"]["simex"]["refits"]
    note = (
        f"SIMEX, all predictors together, {refits} refits at each of {len(found.lambdas) - 1} "
        f"steps of added error, {found.failed} without estimate, quadratic extrapolation; "
        f"{MEANING[level]}; the error variance is taken as known"
    )
    deviations = model.true_deviation
    for position, term in enumerate(design.terms[: design.n_predictors]):
        step = float(deviations[position])
        coefficient = float(found.coefficients[position]) * step
        variance = float(found.covariance[position, position]) * step**2
        extra: EstimateFields = {"unit": "per SD of the true value", "note": note}
        if variance > 0:
            inference = wald(coefficient, variance**0.5, float(plan["confidence_level"]))
        else:
            inference = estimate_only(coefficient, float(plan["confidence_level"]))
            extra["note"] = f"{note}; no interval: its variance was extrapolated below zero"
        add_hazard_ratio(numbers, outcome, (term.name,), term, inference, extra)
        fields = term_fields(term)
        fields["unit"] = "log hazard ratio"
        fields["note"] = "standard error that the finite number of refits leaves"
        left = float(found.simulation_error[position]) * step
        numbers.add(outcome, term.name, "simulation_error", left, **fields)
