"""Step: how the primary models fit, and what other models of the same question say.

Diagnostics and collinearity; the primary models under one other choice at a time; both knees of
each athlete; frailty of sites; subdistribution hazards. Nothing here replaces a primary estimate.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import Estimates, refusals, write_estimates
from analysis.models import cox_diagnostics, cox_specifications, knee_level, subdistribution
from analysis.models.choices import SPECIFICATIONS
from analysis.models.cox_design import cox_design
from analysis.models.cox_fit import Fitted, fit_outcome
from analysis.models.cox_rows import conventions
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.cox_alternatives:cox_alternatives"

SITE_FRAILTY = "cox_site_frailty"
OF_OUTCOME = (
    cox_diagnostics.ANALYSIS,
    SPECIFICATIONS,
    subdistribution.ANALYSIS,
    SITE_FRAILTY,
)
ANALYSES = (*OF_OUTCOME, cox_diagnostics.COLLINEARITY, *knee_level.ANALYSES)


def site_frailty_numbers(
    cohort: pd.DataFrame, fitted: Fitted, plan: Mapping[str, Any], outcome: str
) -> Estimates:
    """Return the primary model with a frailty of the site in place of its stratum."""
    design, estimate = fitted
    cox = plan["cox"]
    strata = [name for name in cox["strata"] if name != "site"]
    without = {**plan, "cox": {**cox, "strata": strata}}
    numbers = Estimates(
        SITE_FRAILTY, **{**conventions(without, design, estimate, outcome), "family": "secondary"}
    )
    events = plan["outcomes"][outcome]["events"]
    unstratified = cox_design(cohort, plan["primary"], without, events)
    sites = unstratified.rows["site"]
    knee_level.add_frailty(numbers, outcome, unstratified, sites, plan, "frailty of the site")
    return numbers


def outcome_numbers(cohort: pd.DataFrame, plan: Mapping[str, Any], outcome: str) -> list[Estimates]:
    """Return diagnostics and alternatives of the primary model of one outcome."""
    try:
        fitted = fit_outcome(cohort, plan["primary"], plan, outcome)
    except SurvivalDataError as error:
        return refusals(OF_OUTCOME, outcome, str(error), family="secondary", outcome=outcome)
    design, estimate = fitted
    return [
        cox_diagnostics.diagnostic_numbers(design, estimate, plan, outcome),
        cox_specifications.specification_numbers(cohort, design, estimate, plan, outcome),
        subdistribution.subdistribution_numbers(design, plan, outcome),
        site_frailty_numbers(cohort, fitted, plan, outcome),
    ]


def alternative_numbers(
    cohort: pd.DataFrame,
    summaries: pd.DataFrame,
    plan: Mapping[str, Any],
    *,
    visit: str,
    minimum_valid_trials: int,
) -> list[Estimates]:
    """Return all of it: collinearity and knees once, the rest for every primary outcome."""
    knees = knee_level.knee_rows(
        cohort, summaries, plan, visit=visit, minimum_valid_trials=minimum_valid_trials
    )
    found = [
        cox_diagnostics.correlation_numbers(cohort, plan),
        *knee_level.knee_numbers(knees, plan),
    ]
    for outcome in plan["primary_outcomes"]:
        found += outcome_numbers(cohort, plan, outcome)
    return found


def cox_alternatives(
    *,
    cohort: Path,
    summaries: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
    minimum_valid_trials: int,
) -> None:
    """Write diagnostics of the primary models and what other models of the question say."""
    if reason := reason_not_to_run(freeze):
        found = refusals(ANALYSES, "all", reason, family="secondary")
    else:
        found = alternative_numbers(
            landmark_rows(read_table(cohort)),
            read_table(summaries),
            plan,
            visit=study["clearance_visit"],
            minimum_valid_trials=minimum_valid_trials,
        )
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort, "summaries": summaries})
