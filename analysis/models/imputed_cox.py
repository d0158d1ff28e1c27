"""Step: the primary models with missing and clipped predictors filled in, beside complete cases.

The sensitivity analysis of the plan, in two parts. `cox_imputed`: missing at random given
everything in the imputation models. `cox_imputed_shifted`: the missing values of one predictor lie
lower or higher than that by a planned number of standard deviations.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import EstimateFields, Estimates, joined, refusals, write_estimates
from analysis.imputation.chained import Completed
from analysis.imputation.convergence import potential_scale_reduction
from analysis.imputation.errors import ImputationError
from analysis.models.cox_design import Term
from analysis.models.cox_models import Fitted, fit_outcome
from analysis.models.cox_rows import add_hazard_ratio, conventions
from analysis.models.imputed_cohort import (
    Gaps,
    completed_sets,
    frames,
    gaps_of,
    shifted_frames,
)
from analysis.models.pooled_cox import DF_METHOD, PooledCox, pooled_cox
from analysis.models.variables import predictor_variable
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.imputed_cox:imputed_cox"
GAPS = "imputation"
COX = "cox_imputed"
SHIFTED = "cox_imputed_shifted"
COMPLETE_CASES = "complete_cases"
NOTHING_MISSING = "no athlete of the cohort lacks a primary metric, and none was clipped"
NOTHING_TO_SHIFT = "no athlete of the cohort lacks a primary metric"


def shift_word(shift_sd: float) -> str:
    """Return a shift as a word of an address, e.g. `lower_0_5_sd`."""
    way = "lower" if shift_sd < 0 else "higher"
    return f"{way}_{abs(shift_sd):g}_sd".replace(".", "_")


def method_words(settings: Mapping[str, Any]) -> str:
    """Return how values were filled in, for a note."""
    kind = str(settings["method"]).replace("_", " ")
    return (
        f"chained equations, {kind}, {settings['data_sets']} data sets of "
        f"{settings['iterations']} iterations"
    )


def gap_numbers(
    gaps: Gaps, completed: Sequence[Completed], plan: Mapping[str, Any]
) -> list[Estimates]:
    """Return how much is missing or clipped, and how well the chains mixed."""
    settings = plan["imputation"]
    size = len(gaps.rows)
    overall = Estimates(GAPS, n_athletes=size, rows_dropped=gaps.dropped)
    note = f"left out as constant or collinear: {joined(gaps.data.left_out)}"
    overall.add(
        "all",
        "incomplete",
        "share",
        gaps.n_incomplete / size,
        unit="share",
        note=note if gaps.data.left_out else "",
    )
    overall.add("all", "data_sets", "count", settings["data_sets"], note=method_words(settings))
    found = [overall]
    for place, predictor in enumerate(plan["primary"]):
        name = predictor["name"]
        numbers = Estimates(GAPS, **predictor_variable(predictor).fields("", size))
        numbers.add(name, "missing", "count", float(gaps.data.is_missing[:, place].sum()))
        numbers.add(name, "clipped", "count", float(gaps.data.is_bounded[:, place].sum()))
        chains = np.array([each.means[:, place] for each in completed])
        if np.isfinite(chains).all():
            value = potential_scale_reduction(chains)
            numbers.add(name, "all", "potential_scale_reduction", value, unit="ratio")
        found.append(numbers)
    return found


def _shared(
    plan: Mapping[str, Any], fitted: Fitted, outcome: str, pooled: PooledCox | None
) -> EstimateFields:
    fields = conventions(plan, *fitted, outcome)
    fields["family"] = "secondary"
    if pooled is not None:
        count = plan["imputation"]["data_sets"]
        fields["estimation"] += f", pooled over {count} completed data sets (Rubin)"
        fields["converged"] = pooled.converged
    return fields


def _add_pooled(
    numbers: Estimates,
    outcome: str,
    address: tuple[str, ...],
    pooled: PooledCox,
    place: int,
    level: float,
    words: str,
) -> None:
    found, term = pooled.pooled[place], pooled.design.terms[place]
    row: EstimateFields = {"note": pooled.note(place) or words}
    if found is not None:
        row["df"] = found.df
        row["df_method"] = DF_METHOD
    add_hazard_ratio(numbers, outcome, address, term, pooled.inference(place, level), row)


def imputed_numbers(
    outcome: str,
    reference: Fitted,
    pooled: PooledCox,
    plan: Mapping[str, Any],
) -> list[Estimates]:
    """Return the pooled hazard ratios of one outcome beside those of the complete cases."""
    level = float(plan["confidence_level"])
    first = (pooled.design, pooled.estimate)
    numbers = Estimates(COX, **_shared(plan, first, outcome, pooled))
    complete = Estimates(COX, **_shared(plan, reference, outcome, None))
    words = (
        f"{method_words(plan['imputation'])}; missing at random; per SD among the complete cases"
    )
    for place, term in enumerate(pooled.design.terms):
        _add_pooled(numbers, outcome, (term.name,), pooled, place, level, words)
        found = pooled.pooled[place]
        if found is not None:
            numbers.add(
                outcome,
                term.name,
                "missing_information",
                found.fraction_of_missing_information,
                unit="share",
                df=found.df,
                df_method=DF_METHOD,
                note="fraction of missing information (Rubin 1987)",
            )
        inference = reference[1].terms[place]
        note: EstimateFields = {"note": reference[1].note_of(term.name) or "complete cases"}
        address = (term.name, COMPLETE_CASES)
        add_hazard_ratio(complete, outcome, address, reference[0].terms[place], inference, note)
    return [numbers, complete]


def shifted_numbers(
    outcome: str,
    terms: tuple[Term, ...],
    gaps: Gaps,
    completed: Sequence[Completed],
    plan: Mapping[str, Any],
) -> list[Estimates]:
    """Return the hazard ratio of each predictor with gaps under each planned shift of its own.

    Raises
    ------
    SurvivalDataError
        A shifted cohort cannot carry the model.
    """
    level, found = float(plan["confidence_level"]), []
    for place, name in enumerate(gaps.names):
        if not gaps.data.is_missing[:, place].any():
            continue
        for shift in plan["imputation"]["shifts_sd"]:
            cohorts = shifted_frames(gaps, completed, name, shift)
            pooled = pooled_cox(cohorts, plan, outcome, terms)
            first = (pooled.design, pooled.estimate)
            numbers = Estimates(SHIFTED, **_shared(plan, first, outcome, pooled))
            words = f"missing values of this metric shifted by {shift:g} SD"
            address = (name, shift_word(shift))
            _add_pooled(numbers, outcome, address, pooled, place, level, words)
            found.append(numbers)
    return found


def outcome_numbers(
    outcome: str,
    cohort: pd.DataFrame,
    gaps: Gaps,
    completed: Sequence[Completed],
    plan: Mapping[str, Any],
) -> list[Estimates]:
    """Return all numbers of one outcome, or why there are none."""
    try:
        reference = fit_outcome(cohort, plan["primary"], plan, outcome)
        terms = reference[0].terms
        pooled = pooled_cox(frames(gaps, completed), plan, outcome, terms)
        return [
            *imputed_numbers(outcome, reference, pooled, plan),
            *shifted_numbers(outcome, terms, gaps, completed, plan),
        ]
    except SurvivalDataError as error:
        return refusals((COX, SHIFTED), outcome, str(error), family="secondary", outcome=outcome)


def _refusals(reason: str) -> list[Estimates]:
    return refusals((COX, SHIFTED), "all", reason, family="secondary")


def imputation_numbers(
    cohort: pd.DataFrame, metrics: pd.DataFrame, plan: Mapping[str, Any], visit: str
) -> list[Estimates]:
    """Return all numbers of the sensitivity analysis to missing and clipped predictors.

    Parameters
    ----------
    cohort
        Athletes of the landmark cohort, with outcomes.
    metrics
        Single trials.
    """
    try:
        gaps = gaps_of(cohort, metrics, plan, visit)
        if gaps.n_incomplete == 0:
            return _refusals(NOTHING_MISSING)
        completed = completed_sets(gaps, plan["imputation"])
    except (ImputationError, SurvivalDataError) as error:
        return _refusals(str(error))
    found = gap_numbers(gaps, completed, plan)
    if not gaps.data.is_missing.any():
        found += refusals([SHIFTED], "all", NOTHING_TO_SHIFT, family="secondary")
    for outcome in plan["primary_outcomes"]:
        found += outcome_numbers(outcome, cohort, gaps, completed, plan)
    return found


def imputed_cox(
    *,
    cohort: Path,
    metrics: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write the primary models with gaps filled in, beside the complete cases, and shifted."""
    if reason := reason_not_to_run(freeze):
        found = _refusals(reason)
    else:
        rows = landmark_rows(read_table(cohort))
        found = imputation_numbers(rows, read_table(metrics), plan, study["clearance_visit"])
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort, "metrics": metrics})
