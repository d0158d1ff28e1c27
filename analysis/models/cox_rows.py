"""Numbers of a fitted Cox model as rows of `estimates`."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign, Term
from analysis.models.cox_fit import CoxEstimate
from analysis.models.term_inference import TermInference
from analysis.survival.sample_size import detectable_hazard_ratio

CENSORING = (
    "cause-specific: every end of observation other than the outcome censors, a second injury of "
    "the other knee too; observation ends at the horizon"
)


def conventions(
    plan: Mapping[str, Any], design: CoxDesign, estimate: CoxEstimate, outcome: str
) -> EstimateFields:
    """Return the columns that all rows of a model share."""
    strata = plan["cox"]["strata"]
    return {
        "model": "cause-specific Cox" + (f", strata {' x '.join(strata)}" if strata else ""),
        "outcome": outcome,
        "n_athletes": len(design.rows),
        "n_events": design.n_events,
        "rows_dropped": design.dropped,
        "ties": plan["cox"]["ties"],
        "estimation": estimate.estimation,
        "converged": estimate.converged,
        "horizon_days": float(plan["horizon_days"]),
        "censoring": CENSORING,
    }


def term_fields(term: Term) -> EstimateFields:
    """Return the columns that name the metric of a term."""
    variable = term.variable
    return {
        "metric": variable.metric,
        "sensor": variable.sensor,
        "task": variable.task,
        "limb": variable.limb,
        "unit": term.unit,
    }


def add_hazard_ratio(
    numbers: Estimates,
    outcome: str,
    address: tuple[str, ...],
    term: Term,
    found: TermInference,
    fields: EstimateFields,
) -> None:
    """Add the hazard ratio of a term with interval and p-value; `fields` add to its row."""
    row: EstimateFields = {
        **term_fields(term),
        "se": found.se,
        "se_scale": "log",
        "ci_low": math.exp(found.low),
        "ci_high": math.exp(found.high),
        "ci_level": found.level,
        "ci_type": found.interval,
        "statistic": found.statistic,
        "statistic_kind": found.statistic_kind,
        "p": found.p,
        **fields,
    }
    numbers.add(outcome, address, "hazard_ratio", math.exp(found.coefficient), **row)


def add_size(numbers: Estimates, outcome: str, design: CoxDesign, plan: Mapping[str, Any]) -> None:
    """Add what the number of events can carry, and the scale of each predictor."""
    parameters, power = len(design.terms), float(plan["power"])
    numbers.add(
        outcome,
        design.address("all"),
        "events_per_parameter",
        design.n_events / parameters,
        unit="events per parameter",
        note="events divided by the coefficients of the model",
    )
    numbers.add(
        outcome,
        design.address("all"),
        "minimal_detectable_hazard_ratio",
        detectable_hazard_ratio(
            design.n_events, power=power, alpha=1 - float(plan["confidence_level"])
        ),
        unit="per SD",
        note=f"{100 * power:g} % power, two-sided, one standardised predictor, no adjustment, no "
        "error of measurement (Schoenfeld 1983)",
    )
    for term in design.terms[: design.n_predictors]:
        fields = term_fields(term)
        fields["unit"] = term.variable.unit
        fields["note"] = "SD (n - 1) among the athletes in the model: one step of the hazard ratio"
        address = design.address(term.name)
        numbers.add(outcome, address, "standard_deviation", term.scale, **fields)
