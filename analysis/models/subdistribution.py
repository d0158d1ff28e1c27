"""Fine-Gray models of the primary outcomes: what a metric says of absolute risk, not of the rate.

A subdistribution hazard ratio mixes the rate of the injury with how often the other ends keep it
from happening. It is here for one kind of sentence only: how the cumulative incidence differs.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from analysis.competing.fine_gray import FineGrayFit, fit_fine_gray
from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_rows import term_fields
from analysis.models.events_needed import too_few
from analysis.models.term_inference import wald
from analysis.survival.errors import SurvivalDataError

ANALYSIS = "fine_gray"

STEPS = (("one_sd_below", -1.0), ("one_sd_above", 1.0))
"""Metric values at which incidences are stated: term, and SD from the mean."""


def causes_of(design: CoxDesign) -> np.ndarray:
    """Return (n,) 1 for the outcome, 2 for any other end by a cause, 0 for censoring."""
    other = (design.rows["cause"] > 0).to_numpy() & ~design.event
    return np.where(design.event, 1, np.where(other, 2, 0))


def _add_incidences(
    numbers: Estimates, outcome: str, design: CoxDesign, fit: FineGrayFit, horizon: float
) -> None:
    for place, term in enumerate(design.terms[: design.n_predictors]):
        for name, steps in STEPS:
            row = fit.reference.copy()
            row[place] += steps
            value = float(fit.cumulative_incidence(row, [horizon])[0, 0])
            fields: EstimateFields = {
                **term_fields(term),
                "unit": "share",
                "time_days": horizon,
                "note": f"at {steps:+g} SD of this metric, all other terms at their means; the "
                "model's incidence, without interval",
            }
            numbers.add(outcome, (term.name, name), "cumulative_incidence", value, **fields)


def subdistribution_numbers(
    design: CoxDesign, plan: Mapping[str, Any], outcome: str, missing_data: str
) -> Estimates:
    """Return subdistribution hazard ratios of one outcome and the incidences they stand for.

    `missing_data` is what to say of the rows of the design.
    """
    horizon, level = float(plan["horizon_days"]), float(plan["confidence_level"])
    strata = plan["cox"]["strata"]
    numbers = Estimates(
        ANALYSIS,
        family="secondary",
        model="Fine-Gray",
        outcome=outcome,
        ties="breslow",
        horizon_days=horizon,
        n_athletes=len(design.rows),
        n_events=design.n_events,
        rows_dropped=design.dropped,
        missing_data=missing_data,
        censoring="every other end by a cause competes; loss and end of study censor, with one "
        "censoring curve for all",
    )
    reason = too_few(design.n_events, len(design.terms), plan)
    if reason:
        numbers.not_run(outcome, reason)
        return numbers
    try:
        fit = fit_fine_gray(design.matrix, design.time, causes_of(design), names=design.names)
    except SurvivalDataError as error:
        numbers.not_run(outcome, str(error))
        return numbers
    if not fit.converged:
        numbers.not_run(outcome, "no finite estimate: the likelihood rises for ever")
        return numbers
    without = f"; without the strata ({', '.join(strata)}) of the Cox model" if strata else ""
    for place, term in enumerate(design.terms[: design.n_predictors]):
        found = wald(float(fit.coefficients[place]), float(fit.standard_errors[place]), level)
        fields: EstimateFields = {
            **term_fields(term),
            "se": found.se,
            "se_scale": "log",
            "ci_low": float(np.exp(found.low)),
            "ci_high": float(np.exp(found.high)),
            "ci_level": level,
            "ci_type": found.interval,
            "statistic": found.statistic,
            "statistic_kind": found.statistic_kind,
            "p": found.p,
            "estimation": "weighted pseudo-likelihood, variance with the censoring curve",
            "converged": fit.converged,
            "note": f"for statements on absolute risk only{without}",
        }
        ratio = float(np.exp(found.coefficient))
        numbers.add(outcome, term.name, "subdistribution_hazard_ratio", ratio, **fields)
    _add_incidences(numbers, outcome, design, fit, horizon)
    return numbers
