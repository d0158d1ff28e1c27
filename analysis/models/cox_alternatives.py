"""Step: how the primary models fit, and what other models of the same question say.

Diagnostics and collinearity; the primary models under one other choice at a time; both knees of
each athlete; frailty of sites; subdistribution hazards. Nothing here replaces a primary estimate.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.estimates import Estimates, refusals, write_estimates
from analysis.models import cox_diagnostics, cox_specifications, knee_level, subdistribution
from analysis.models.choices import SPECIFICATIONS
from analysis.models.cox_design import cox_design
from analysis.models.filled_cohort import FilledCohort, read_filled_cohort
from analysis.models.outcome_model import OutcomeModel, complete_case_model, primary_model
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
    rows: pd.DataFrame, complete: OutcomeModel, plan: Mapping[str, Any], outcome: str
) -> Estimates:
    """Return the model of complete cases with a frailty of the site in place of its stratum."""
    cox = plan["cox"]
    strata = [name for name in cox["strata"] if name != "site"]
    without = {**plan, "cox": {**cox, "strata": strata}}
    shared = complete.shared_fields(without, outcome)
    shared["family"] = "secondary"
    numbers = Estimates(SITE_FRAILTY, **shared)
    events = plan["outcomes"][outcome]["events"]
    unstratified = cox_design(rows, plan["primary"], without, events)
    sites = unstratified.rows["site"]
    knee_level.add_frailty(numbers, outcome, unstratified, sites, plan, "frailty of the site")
    return numbers


def outcome_numbers(filled: FilledCohort, plan: Mapping[str, Any], outcome: str) -> list[Estimates]:
    """Return diagnostics and alternatives of the primary model of one outcome.

    The other choices handle gaps as the primary model does, so that they differ by the choice
    alone. Diagnostics and models of other form are of complete cases, and say so.
    """
    rows, words = filled.measured, filled.words_of_complete_cases
    try:
        complete = complete_case_model(rows, plan["primary"], plan, outcome, words=words)
        planned = primary_model(filled, plan, outcome)
    except SurvivalDataError as error:
        return refusals(OF_OUTCOME, outcome, str(error), family="secondary", outcome=outcome)
    return [
        cox_diagnostics.diagnostic_numbers(complete, plan, outcome),
        cox_specifications.specification_numbers(filled, planned, plan, outcome),
        subdistribution.subdistribution_numbers(complete.design, plan, outcome, words),
        site_frailty_numbers(rows, complete, plan, outcome),
    ]


def alternative_numbers(
    filled: FilledCohort,
    summaries: pd.DataFrame,
    plan: Mapping[str, Any],
    *,
    visit: str,
    minimum_valid_trials: int,
) -> list[Estimates]:
    """Return all of it: collinearity and knees once, the rest for every primary outcome."""
    knees = knee_level.knee_rows(
        filled.measured, summaries, plan, visit=visit, minimum_valid_trials=minimum_valid_trials
    )
    found = [
        cox_diagnostics.correlation_numbers(filled.measured, plan),
        *knee_level.knee_numbers(knees, plan),
    ]
    for outcome in plan["primary_outcomes"]:
        found += outcome_numbers(filled, plan, outcome)
    return found


def cox_alternatives(
    *,
    cohort: Path,
    summaries: Path,
    filled: Path,
    imputation: Path,
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
            read_filled_cohort(cohort, filled, imputation),
            read_table(summaries),
            plan,
            visit=study["clearance_visit"],
            minimum_valid_trials=minimum_valid_trials,
        )
    inputs = {"cohort": cohort, "summaries": summaries, "filled": filled, "imputation": imputation}
    write_estimates(estimates, *found, step=STEP, inputs=inputs)
