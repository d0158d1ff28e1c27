"""Does a single event carry the primary model? Its refits without each one, as a group's range."""

from __future__ import annotations

import numpy as np
from scipy.stats import norm

from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_fit import CoxEstimate
from analysis.models.cox_rows import term_fields
from analysis.survival.influence import leave_one_event_out

ANALYSIS = "cox_leave_one_event_out"


def add_range(
    numbers: Estimates, outcome: str, design: CoxDesign, estimate: CoxEstimate, below: int
) -> None:
    """Add, for each predictor, the range of hazard ratio and p, and how often the sign turned.

    Only smallest, largest and counts are kept: nothing here belongs to one athlete.

    Parameters
    ----------
    below
        Events from which on a single one cannot carry the model, and no refit is made.
    """
    if design.n_events >= below:
        numbers.not_run(outcome, f"planned for fewer than {below} events, there are more")
        return
    found = leave_one_event_out(estimate.sample, ties=estimate.fit.ties)
    usable = ~(found.refused | found.monotone)
    if not usable.any():
        numbers.not_run(outcome, "no refit without one event has a finite estimate")
        return
    lost = int((~usable).sum())
    refits = "refits without one event's athlete each; Wald p; steps as in the full model"
    note = f"{usable.sum()} {refits}" + (f"; {lost} more had no finite estimate" if lost else "")
    for position, term in enumerate(design.terms[: design.n_predictors]):
        coefficients = found.coefficients[usable, position]
        p = 2 * norm.sf(np.abs(coefficients / found.standard_errors[usable, position]))
        turned = np.sign(coefficients) != np.sign(estimate.fit.coefficients[position])
        fields: EstimateFields = {
            **term_fields(term),
            "estimation": "partial likelihood",
            "note": note,
        }
        for quantity, value, unit in (
            ("smallest_hazard_ratio", np.exp(coefficients.min()), term.unit),
            ("largest_hazard_ratio", np.exp(coefficients.max()), term.unit),
            ("smallest_p", p.min(), "probability"),
            ("largest_p", p.max(), "probability"),
            ("sign_changes", turned.sum(), "refits"),
            ("refits", usable.sum(), "refits"),
        ):
            fields["unit"] = unit
            numbers.add(outcome, term.name, quantity, float(value), **fields)
