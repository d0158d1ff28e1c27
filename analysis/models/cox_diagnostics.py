"""Does a primary model fit, does one athlete carry it, and do its terms say the same twice?

Residuals are summarised for groups; of a single athlete only the size of the largest influence is
kept, and nobody is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_fit import CoxEstimate
from analysis.models.cox_rows import term_fields
from analysis.models.outcome_model import OutcomeModel
from analysis.models.proportionality import TRANSFORM
from analysis.models.variables import predictor_variable
from analysis.survival.cox_residuals import (
    deviance_residuals,
    dfbeta_residuals,
    martingale_residuals,
    schoenfeld_residuals,
)
from analysis.survival.intervals import normal_quantile
from analysis.survival.proportional_hazards import event_time_transform
from analysis.survival.sample_size import detectable_hazard_ratio

ANALYSIS = "cox_diagnostics"
COLLINEARITY = "collinearity"

THIRDS = ("lower_third", "middle_third", "upper_third")
LEAST_PAIRS = 4
"""Fisher's interval of a correlation needs more than three athletes."""


def inflation_factors(design: CoxDesign) -> NDArray[np.float64]:
    """Return (p,) how much the other terms inflate the variance of each, within strata.

    The strata have their own baseline hazards, so only differences within them count.
    """
    table = pd.DataFrame(design.matrix)
    within = table - table.groupby(design.strata).transform("mean")
    correlation = np.corrcoef(within.to_numpy(), rowvar=False)
    return np.diag(np.linalg.inv(np.atleast_2d(correlation)))


def add_inflation(
    numbers: Estimates, outcome: str, design: CoxDesign, plan: Mapping[str, Any]
) -> None:
    """Add each predictor's inflation and the hazard ratio that the events can detect beside it."""
    power, alpha = float(plan["power"]), 1 - float(plan["confidence_level"])
    for term, inflation in zip(design.terms, inflation_factors(design), strict=True):
        if not term.is_predictor:
            continue
        fields: EstimateFields = {
            **term_fields(term),
            "unit": "ratio",
            "note": "variance against that without the other terms of the model, within strata",
        }
        numbers.add(outcome, term.name, "variance_inflation_factor", float(inflation), **fields)
        ratio = detectable_hazard_ratio(
            design.n_events, r_squared=float(1 - 1 / inflation), power=power, alpha=alpha
        )
        fields["unit"] = term.unit
        fields["note"] = (
            f"{100 * power:g} % power, two-sided, beside the other terms of the model, no error "
            "of measurement (Hsieh & Lavori 2000)"
        )
        numbers.add(outcome, term.name, "minimal_detectable_hazard_ratio", ratio, **fields)


def add_residuals(
    numbers: Estimates, outcome: str, design: CoxDesign, estimate: CoxEstimate
) -> None:
    """Add summaries of dfbeta, Schoenfeld, martingale and deviance residuals."""
    sample, fit = estimate.sample, estimate.fit
    influence = np.abs(dfbeta_residuals(sample, fit) / fit.standard_errors).max(axis=0)
    scaled = schoenfeld_residuals(sample, fit).scaled
    moments = event_time_transform(sample, TRANSFORM)
    martingale = martingale_residuals(sample, fit)
    for place, term in enumerate(design.terms[: design.n_predictors]):
        fields: EstimateFields = {
            **term_fields(term),
            "unit": "standard errors",
            "note": "largest change of the log hazard ratio by one athlete (dfbeta)",
        }
        numbers.add(outcome, term.name, "largest_influence", float(influence[place]), **fields)
        fields["unit"] = "correlation"
        fields["note"] = (
            "of scaled Schoenfeld residuals with 1 - Kaplan-Meier: above zero, the hazard ratio "
            "rises over follow-up"
        )
        if design.n_events > 2:
            slope = float(np.corrcoef(scaled[:, place], moments)[0, 1])
            numbers.add(outcome, term.name, "correlation_with_time", slope, **fields)
        fields["unit"] = "events"
        fields["note"] = "sum of martingale residuals of the athletes in this third of the metric"
        cuts = np.quantile(design.matrix[:, place], [1 / 3, 2 / 3])
        third = np.searchsorted(cuts, design.matrix[:, place])
        for number, name in enumerate(THIRDS):
            excess = float(martingale[third == number].sum())
            address = (term.name, name)
            numbers.add(outcome, address, "observed_minus_expected_events", excess, **fields)
    numbers.add(
        outcome,
        "all",
        "largest_deviance_residual",
        float(np.abs(deviance_residuals(sample, fit)).max()),
        unit="standard deviations",
        note="roughly normal when events are many; with few, those of events are all large",
    )


def diagnostic_numbers(model: OutcomeModel, plan: Mapping[str, Any], outcome: str) -> Estimates:
    """Return the diagnostics of a model of complete cases; its residuals are without penalty."""
    design, estimate = model.fits[0]
    shared = model.shared_fields(plan, outcome)
    shared |= {"family": "descriptive", "estimation": "partial likelihood"}
    numbers = Estimates(ANALYSIS, **shared)
    diverging = estimate.fit.diverging
    numbers.add(
        outcome,
        "all",
        "diverging_terms",
        len(diverging),
        unit="terms",
        note="terms along which the likelihood rises for ever (monotone likelihood)"
        + (f": {', '.join(diverging)}" if diverging else ""),
    )
    add_inflation(numbers, outcome, design, plan)
    if not estimate.fit.converged:
        numbers.not_run(outcome, "the model has no finite estimate, so it has no residuals")
        return numbers
    add_residuals(numbers, outcome, design, estimate)
    return numbers


def correlation_numbers(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> Estimates:
    """Return correlations of all predictors of the plan, from athletes who have both."""
    level = float(plan["confidence_level"])
    numbers = Estimates(
        COLLINEARITY,
        family="descriptive",
        unit="correlation",
        estimation="Pearson",
        ci_type="Fisher z",
        ci_level=level,
    )
    names = [predictor_variable(item).name for item in [*plan["primary"], *plan["exploratory"]]]
    for one, two in combinations(names, 2):
        known = cohort[[one, two]].dropna()
        if len(known) < LEAST_PAIRS or (known.nunique() < 2).any():
            numbers.not_run((one, two), "too few athletes have both metrics, or they do not vary")
            continue
        value = float(np.corrcoef(known[one], known[two])[0, 1])
        reach = normal_quantile(level) / np.sqrt(len(known) - 3)
        numbers.add(
            one,
            two,
            "correlation",
            value,
            ci_low=float(np.tanh(np.arctanh(value) - reach)),
            ci_high=float(np.tanh(np.arctanh(value) + reach)),
            n_athletes=len(known),
        )
    return numbers
