"""Step: the imputed primary models if what is missing lies lower or higher than what was filled in.

Filling in takes values as missing at random given everything in the imputation models. No data can
show that; the planned shifts, in standard deviations, show how much would hang on it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.estimates import Estimates, refusals, write_estimates
from analysis.models.cox_rows import add_hazard_ratio
from analysis.models.filled_cohort import FilledCohort, is_log, read_filled_cohort
from analysis.models.outcome_model import pooled_model
from analysis.survival.errors import SurvivalDataError

STEP = "analysis.models.shifted_cox:shifted_cox"
SHIFTED = "cox_imputed_shifted"
NOTHING_TO_SHIFT = "no athlete of the cohort lacks a primary metric"


def shift_word(shift_sd: float) -> str:
    """Return a shift as a word of an address, e.g. `lower_0_5_sd`."""
    way = "lower" if shift_sd < 0 else "higher"
    return f"{way}_{abs(shift_sd):g}_sd".replace(".", "_")


def _shifted_number(
    filled: FilledCohort, plan: Mapping[str, Any], outcome: str, name: str, shift_sd: float
) -> Estimates:
    cohorts = list(filled.shifted(name, shift_sd, is_log=is_log(plan, name)))
    model = pooled_model(cohorts, filled, plan, outcome)
    shared = model.shared_fields(plan, outcome)
    shared["family"] = "secondary"
    numbers = Estimates(SHIFTED, **shared)
    place = model.design.names.index(name)
    row = model.term_row(place)
    row.setdefault("note", f"missing values of this metric shifted by {shift_sd:g} SD")
    address = (name, shift_word(shift_sd))
    add_hazard_ratio(numbers, outcome, address, model.terms[place], model.inferences[place], row)
    return numbers


def shifted_numbers(filled: FilledCohort, plan: Mapping[str, Any]) -> list[Estimates]:
    """Return the hazard ratio of each predictor with gaps under each planned shift of its own."""
    if filled.reason:
        return refusals([SHIFTED], "all", filled.reason, family="secondary")
    missing = set(filled.filled.loc[filled.filled["kind"] == "missing", "predictor"])
    if not missing:
        return refusals([SHIFTED], "all", NOTHING_TO_SHIFT, family="secondary")
    names = [predictor["name"] for predictor in plan["primary"] if predictor["name"] in missing]
    found: list[Estimates] = []
    for outcome in plan["primary_outcomes"]:
        try:
            found += [
                _shifted_number(filled, plan, outcome, name, shift)
                for name in names
                for shift in plan["imputation"]["shifts_sd"]
            ]
        except SurvivalDataError as error:
            found += refusals([SHIFTED], outcome, str(error), family="secondary", outcome=outcome)
    return found


def shifted_cox(
    *,
    cohort: Path,
    filled: Path,
    imputation: Path,
    estimates: Path,
    plan: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write the hazard ratio of each predictor with its missing values shifted."""
    if reason := reason_not_to_run(freeze):
        found = refusals([SHIFTED], "all", reason, family="secondary")
    else:
        found = shifted_numbers(read_filled_cohort(cohort, filled, imputation), plan)
    inputs = {"cohort": cohort, "filled": filled, "imputation": imputation}
    write_estimates(estimates, *found, step=STEP, inputs=inputs)
