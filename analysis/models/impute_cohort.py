"""Step: missing and clipped primary predictors filled in, once per study; gaps counted."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import (
    Estimates,
    joined,
    provenance,
    refusals,
    write_estimates,
)
from analysis.imputation.chained import Completed
from analysis.imputation.convergence import potential_scale_reduction
from analysis.imputation.errors import ImputationError
from analysis.models.filled_cohort import GAPS, NOTHING_MISSING, FilledCohort, filled_values
from analysis.models.imputed_cohort import Gaps, completed_sets, gaps_of
from analysis.models.variables import predictor_variable
from analysis.survival.errors import SurvivalDataError
from shared.tables import empty_table, read_table, write_table

STEP = "analysis.models.impute_cohort:impute_cohort"


def data_sets_needed(gaps: Gaps, planned: int) -> int:
    """Return how many data sets are drawn: as planned, or one per per cent of incomplete athletes.

    Source: White, Royston & Wood 2011, Stat Med 30:377.
    """
    return max(planned, math.ceil(100 * gaps.n_incomplete / len(gaps.rows)))


def method_words(settings: Mapping[str, Any]) -> str:
    """Return how values were filled in, for a note."""
    kind = str(settings["method"]).replace("_", " ")
    return f"chained equations, {kind}, {settings['iterations']} iterations"


def gap_numbers(
    gaps: Gaps, completed: Sequence[Completed], plan: Mapping[str, Any]
) -> list[Estimates]:
    """Return how much is missing or clipped, and how well the chains mixed."""
    settings, size = plan["imputation"], len(gaps.rows)
    overall = Estimates(GAPS, n_athletes=size, rows_dropped=gaps.dropped)
    overall.add(
        "all",
        "incomplete",
        "share",
        gaps.n_incomplete / size,
        unit="share",
        note=f"left out as constant or collinear: {joined(gaps.data.left_out)}"
        if gaps.data.left_out
        else "",
    )
    words = method_words(settings)
    overall.add("all", "data_sets", "count", float(len(completed)), note=words)
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


def fill_in(
    rows: pd.DataFrame, metrics: pd.DataFrame, plan: Mapping[str, Any], visit: str
) -> tuple[FilledCohort, list[Estimates]]:
    """Return the cohort with its gaps filled and the counts of gaps; or why nothing was filled.

    Parameters
    ----------
    rows
        Athletes of the landmark cohort, with outcomes.
    metrics
        Single trials; they tell which values a sensor cut off.
    """
    nothing = empty_table("filled_values")
    try:
        gaps = gaps_of(rows, metrics, plan, visit)
        if gaps.n_incomplete == 0:
            return FilledCohort(rows, nothing, NOTHING_MISSING), refusals(
                [GAPS], "all", NOTHING_MISSING
            )
        count = data_sets_needed(gaps, plan["imputation"]["data_sets"])
        completed = completed_sets(gaps, plan["imputation"], count)
    except (ImputationError, SurvivalDataError) as error:
        return FilledCohort(rows, nothing, str(error)), refusals([GAPS], "all", str(error))
    filled = FilledCohort(rows, filled_values(gaps, completed), "")
    return filled, gap_numbers(gaps, completed, plan)


def impute_cohort(
    *,
    cohort: Path,
    metrics: Path,
    filled: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write what was drawn for each gap, and the counts of gaps or why they were not filled."""
    inputs = {"cohort": cohort, "metrics": metrics}
    if reason := reason_not_to_run(freeze):
        values, found = empty_table("filled_values"), refusals([GAPS], "all", reason)
    else:
        rows = landmark_rows(read_table(cohort))
        whole, found = fill_in(rows, read_table(metrics), plan, study["clearance_visit"])
        values = whole.filled
    write_table(values, filled, "filled_values", **provenance(STEP, inputs))
    write_estimates(estimates, *found, step=STEP, inputs=inputs)
