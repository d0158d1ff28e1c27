"""E-values of the primary hazard ratios, and the incidence that says how they are read."""

from __future__ import annotations

import math

import numpy as np

from analysis.competing.cumulative_incidence import cumulative_incidence
from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_rows import term_fields
from analysis.models.outcome_model import OutcomeModel
from analysis.survival.e_value import Outcome, hazard_ratio_e_value

ANALYSIS = "cox_e_value"

READING: dict[Outcome, str] = {
    "rare": "rare outcome: the hazard ratio is read as a risk ratio",
    "common": "common outcome: risk ratio = (1 - 0.5^sqrt(HR)) / (1 - 0.5^sqrt(1/HR))",
}
"""How a hazard ratio becomes a risk ratio (VanderWeele & Ding 2017)."""


def incidence_at_end(design: CoxDesign) -> float:
    """Return the cumulative incidence of the outcome at the end of follow-up (Aalen-Johansen).

    The other causes of the cohort compete.
    """
    other = (design.rows["cause"].to_numpy() != 0) & ~design.event
    causes = np.where(design.event, 1, np.where(other, 2, 0))
    return float(cumulative_incidence(design.time, causes).incidence[-1, 0])


def add_e_values(
    numbers: Estimates,
    outcome: str,
    model: OutcomeModel,
    rare_below: float,
) -> None:
    """Add the E-value of each predictor's hazard ratio and of its limit nearer to one."""
    incidence = incidence_at_end(model.design)
    kind: Outcome = "rare" if incidence < rare_below else "common"
    numbers.add(
        outcome,
        "all",
        "cumulative_incidence_at_end",
        incidence,
        unit="share",
        estimation="Aalen-Johansen",
        note=f"at the end of follow-up, other ends by a cause compete; {kind} means "
        f"{'below' if kind == 'rare' else 'not below'} {rare_below:g}",
    )
    for place, (term, found) in enumerate(zip(model.terms, model.inferences, strict=True)):
        if not term.is_predictor:
            continue
        if not (math.isfinite(found.low) and math.isfinite(found.high)):
            reason = model.term_row(place).get("note") or "the hazard ratio has no finite interval"
            numbers.not_run((outcome, term.name), reason)
            continue
        ratios = (math.exp(value) for value in (found.coefficient, found.low, found.high))
        value = hazard_ratio_e_value(*ratios, outcome=kind)
        fields: EstimateFields = {
            **term_fields(term),
            "unit": "risk ratio",
            "note": f"hazard ratio {term.unit}; {READING[kind]}",
        }
        numbers.add(outcome, term.name, "e_value", value.estimate, **fields)
        fields["note"] = f"limit nearer to one, 1 where the interval contains one; {READING[kind]}"
        numbers.add(outcome, term.name, "e_value_of_limit", value.limit, **fields)
