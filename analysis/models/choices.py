"""The other choices under which the plan asks for the primary models: names, words, addresses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.estimates import number_id

SPECIFICATIONS = "cox_specifications"


@dataclass(frozen=True)
class Choice:
    """One way to fit a primary model; `name` is '' where the analysis has one way only."""

    analysis: str
    name: str
    words: str

    def address(self, outcome: str, predictor: str) -> str:
        """Return the address of a hazard ratio under this choice."""
        term = (self.name, predictor) if self.name else predictor
        return number_id(self.analysis, outcome, term, "hazard_ratio")


AS_PLANNED = Choice("cox_primary", "", "As planned")


def adjustment_sets(plan: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return the covariates of the minimal and the full set; one that is the primary is left out.

    The minimal set holds those of the primary covariates that the plan names for it; the full set
    all of them and the plan's further ones.
    """
    settings, primary = plan["sensitivity"]["specifications"], plan["cox"]["covariates"]
    sets = {
        "minimal_adjustment": [
            item for item in primary if item["column"] in settings["minimal_covariates"]
        ],
        "full_adjustment": [*primary, *settings["further_covariates"]],
    }
    return {name: covariates for name, covariates in sets.items() if covariates != primary}


def choices(plan: Mapping[str, Any]) -> list[Choice]:
    """Return the planned model and every other choice, in the order of the report."""
    settings = plan["sensitivity"]["specifications"]
    cut, first = settings["periods_cut_day"], settings["without_first_days"]
    named: dict[str, str] = {}
    if settings["without_contact_injuries"]:
        named["without_contact_injuries"] = "Contact injuries censor"
    if first is not None:
        named["without_first_days"] = f"Without the first {first:g} days"
    for days in settings["horizons_days"]:
        named[horizon_name(days)] = f"Follow-up to {days:g} days"
    if cut is not None:
        named |= {"period_1": f"Days up to {cut:g}", "period_2": f"Days after {cut:g}"}
    for name in adjustment_sets(plan):
        named[name] = name.replace("_", " ").capitalize()
    if settings["on_athlete_exposures"]:
        named["athlete_exposures"] = "Time in athlete-exposures"
    if settings["negative_control"]:
        named["negative_control"] = f"Negative control: {settings['negative_control']}"
    return [
        AS_PLANNED,
        Choice("cox_firth", "", "With the penalty of Firth"),
        Choice("cox_ridge", "", "With a ridge penalty"),
        *(Choice(SPECIFICATIONS, name, words) for name, words in named.items()),
    ]


def horizon_name(days: float) -> str:
    """Return the name of the choice of another horizon."""
    return f"horizon_{days:g}_days"
