"""The primary models with a penalty, beside those without: few events for their coefficients.

Whether they are fitted is settled by the plan from the number of events, not by their results.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_fit import estimate_firth, sample_of
from analysis.models.cox_rows import add_hazard_ratio
from analysis.models.term_inference import estimate_only
from analysis.survival.errors import SurvivalDataError
from analysis.survival.ridge import best_ridge

FIRTH = "cox_firth"
RIDGE = "cox_ridge"
ANALYSES = (FIRTH, RIDGE)


def add_firth(
    numbers: Estimates, design: CoxDesign, plan: Mapping[str, Any], outcome: str
) -> Estimates:
    """Add hazard ratios with Firth's penalty; intervals by the penalised profile likelihood."""
    estimate = estimate_firth(design, plan["cox"]["ties"], float(plan["confidence_level"]))
    fields: EstimateFields = {"estimation": estimate.estimation, "converged": estimate.converged}
    for term, found in zip(design.terms, estimate.terms, strict=True):
        add_hazard_ratio(numbers, outcome, (term.name,), term, found, fields)
    return numbers


def add_ridge(
    numbers: Estimates, design: CoxDesign, plan: Mapping[str, Any], outcome: str
) -> Estimates:
    """Add hazard ratios with a ridge penalty, its weight and what it leaves of the coefficients.

    They have no interval: a ridge estimate is biased towards one, and its spread says nothing of
    that.
    """
    penalties = plan["sensitivity"]["penalised"]["ridge_penalties"]
    fit = best_ridge(sample_of(design), penalties, ties=plan["cox"]["ties"])
    fields: EstimateFields = {
        "estimation": "penalised partial likelihood (ridge)",
        "converged": fit.converged,
        "note": f"penalty {fit.penalty:g} on squared coefficients per SD, best of the plan's by "
        "AIC with effective degrees of freedom; shrunk towards one, so no interval",
    }
    level = float(plan["confidence_level"])
    for term, value in zip(design.terms, fit.coefficients, strict=True):
        found = estimate_only(float(value), level)
        add_hazard_ratio(numbers, outcome, (term.name,), term, found, fields)
    numbers.add(outcome, "all", "ridge_penalty", fit.penalty, **fields)
    effective: EstimateFields = {**fields, "unit": "coefficients"}
    numbers.add(outcome, "all", "effective_degrees_of_freedom", fit.effective_df, **effective)
    return numbers


def penalised_numbers(
    design: CoxDesign, shared: EstimateFields, plan: Mapping[str, Any], outcome: str
) -> list[Estimates]:
    """Return both penalised fits of one primary model; `shared` are its conventions."""
    below = plan["sensitivity"]["penalised"]["below_events_per_coefficient"]
    found = []
    for analysis, add in ((FIRTH, add_firth), (RIDGE, add_ridge)):
        numbers = Estimates(analysis, **shared)
        found.append(numbers)
        if design.n_events >= below * len(design.terms):
            reason = f"planned for fewer than {below:g} events per coefficient, there are more"
            numbers.not_run(outcome, reason)
            continue
        try:
            add(numbers, design, plan, outcome)
        except SurvivalDataError as error:
            numbers.not_run(outcome, str(error))
    return found
