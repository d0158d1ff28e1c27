"""The primary models with a penalty, beside those without: few events for their coefficients.

Whether they are fitted is settled by the plan from the number of events, not by their results.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from analysis.estimates import EstimateFields, Estimates
from analysis.models import cox_fit
from analysis.models.cox_fit import estimate_firth
from analysis.models.cox_rows import add_hazard_ratio
from analysis.models.outcome_model import (
    OutcomeModel,
    pool_terms,
    pooled_fields,
    pooled_inference,
)
from analysis.models.term_inference import TermInference, estimate_only
from analysis.survival.errors import SurvivalDataError
from analysis.survival.firth import maximise_firth
from analysis.survival.ridge import best_ridge

FIRTH = "cox_firth"
RIDGE = "cox_ridge"
ANALYSES = (FIRTH, RIDGE)

_RIDGE = "penalised partial likelihood (ridge)"
_NO_POOLED_PROFILE = (
    "a profile has no pooled form: the interval rests on the curvature at the estimate"
)


def add_firth(
    numbers: Estimates, model: OutcomeModel, plan: Mapping[str, Any], outcome: str
) -> None:
    """Add hazard ratios with Firth's penalty, pooled if the model is.

    Intervals are those of the penalised profile likelihood; pooled ones rest on the curvature.
    """
    ties, level = plan["cox"]["ties"], float(plan["confidence_level"])
    rows: list[tuple[TermInference, EstimateFields]]
    if model.pooled:
        points = [maximise_firth(estimate.sample, ties=ties) for _, estimate in model.fits]
        converged = all(point.converged for point in points)
        pooled = pool_terms(
            [point.coefficients for point in points],
            [point.standard_errors for point in points],
            model.complete_df,
        )
        rows = [
            (pooled_inference(found, level), {"note": _NO_POOLED_PROFILE, **pooled_fields(found)})
            for found in pooled
        ]
    else:
        penalised = estimate_firth(model.design, ties, level)
        converged = penalised.converged
        rows = [(found, {"note": model.note}) for found in penalised.terms]
    shared: EstimateFields = {
        "estimation": model.estimation_by(cox_fit.FIRTH),
        "converged": converged,
    }
    for term, (found, extra) in zip(model.terms, rows, strict=True):
        add_hazard_ratio(numbers, outcome, (term.name,), term, found, {**shared, **extra})


def add_ridge(
    numbers: Estimates, model: OutcomeModel, plan: Mapping[str, Any], outcome: str
) -> None:
    """Add hazard ratios with a ridge penalty, its weight and what it leaves of the coefficients.

    They have no interval: a ridge estimate is biased towards one, and its spread says nothing of
    that. Over completed data sets, log hazard ratios, weights and degrees of freedom are averaged.
    """
    penalties = plan["sensitivity"]["penalised"]["ridge_penalties"]
    ties, level = plan["cox"]["ties"], float(plan["confidence_level"])
    fits = [best_ridge(estimate.sample, penalties, ties=ties) for _, estimate in model.fits]
    weight = float(np.mean([fit.penalty for fit in fits]))
    fields: EstimateFields = {
        "estimation": model.estimation_by(_RIDGE),
        "converged": all(fit.converged for fit in fits),
        "note": f"penalty {weight:g} on squared coefficients per SD, best of the plan's by "
        "AIC with effective degrees of freedom; shrunk towards one, so no interval",
    }
    for term, value in zip(model.terms, np.mean([f.coefficients for f in fits], 0), strict=True):
        found = estimate_only(float(value), level)
        add_hazard_ratio(numbers, outcome, (term.name,), term, found, fields)
    numbers.add(outcome, "all", "ridge_penalty", weight, **fields)
    effective: EstimateFields = {**fields, "unit": "coefficients"}
    left = float(np.mean([fit.effective_df for fit in fits]))
    numbers.add(outcome, "all", "effective_degrees_of_freedom", left, **effective)


def penalised_numbers(
    model: OutcomeModel, plan: Mapping[str, Any], outcome: str
) -> list[Estimates]:
    """Return both penalised fits of one primary model."""
    below = plan["sensitivity"]["penalised"]["below_events_per_coefficient"]
    shared = model.shared_fields(plan, outcome)
    shared["family"] = "secondary"
    found = []
    for analysis, add in ((FIRTH, add_firth), (RIDGE, add_ridge)):
        numbers = Estimates(analysis, **shared)
        found.append(numbers)
        if model.design.n_events >= below * len(model.terms):
            reason = f"planned for fewer than {below:g} events per coefficient, there are more"
            numbers.not_run(outcome, reason)
            continue
        try:
            add(numbers, model, plan, outcome)
        except SurvivalDataError as error:
            numbers.not_run(outcome, str(error))
    return found
