"""The landmark cohort with its gaps filled: what is known of each primary predictor, and how.

A predictor is the mean of an athlete's valid trials at clearance. Where a saturated sensor cut off
one of them, the recorded mean is a bound: the true mean is at least as large.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.analysis_set import complete_rows, events_of
from analysis.cohort.predictors import matches
from analysis.imputation.chained import Completed, Incomplete, impute_many, incomplete
from analysis.imputation.errors import ImputationError
from analysis.imputation.outcome_terms import outcome_columns

Array = NDArray[np.float64]


def has_clipped_trial(
    metrics: pd.DataFrame, predictor: Mapping[str, Any], ids: pd.Series, visit: str
) -> NDArray[np.bool_]:
    """Return (n,) True where a valid trial behind the predictor was cut off by its sensor."""
    clipped = metrics.loc[
        matches(metrics, predictor)
        & (metrics["visit"] == visit)
        & metrics["valid"]
        & (metrics["censoring"] == "right"),
        "athlete_id",
    ]
    return ids.isin(clipped).to_numpy(dtype=bool)


@dataclass(frozen=True)
class Gaps:
    """Rows that can be completed, and what is known of them.

    Attributes
    ----------
    rows : (n) athletes with all covariates, strata and follow-up
    data : the primary predictors on the scale of their imputation model
    log : (v,) True where that scale is the logarithm
    dropped : athletes left out because a covariate is missing, which is not imputed
    """

    rows: pd.DataFrame
    data: Incomplete
    log: NDArray[np.bool_]
    dropped: int

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the predictors."""
        return self.data.names

    @property
    def n_incomplete(self) -> int:
        """Athletes with a missing or clipped predictor."""
        return int(np.isnan(self.data.values).any(axis=1).sum())

    def on_own_scale(self, values: Array) -> Array:
        """Return completed predictors (n, v) back from the scale of their imputation model."""
        own: Array = np.where(self.log, np.exp(np.where(self.log, values, 0.0)), values)
        return own


def _indicators(rows: pd.DataFrame, column: str, reference: str | None) -> dict[str, Array]:
    levels = sorted(set(rows[column]))
    base = levels[0] if reference is None else reference
    return {
        f"{column} {level}": (rows[column] == level).to_numpy(float)
        for level in levels
        if level != base
    }


def predicting_columns(rows: pd.DataFrame, plan: Mapping[str, Any]) -> dict[str, Array]:
    """Return the complete columns of the imputation models: covariates, strata, outcome, others."""
    columns: dict[str, Array] = {}
    for covariate in plan["cox"]["covariates"]:
        name = covariate["column"]
        if covariate["reference"] is None:
            columns[name] = rows[name].to_numpy(float)
        else:
            columns |= _indicators(rows, name, covariate["reference"])
    for stratum in plan["cox"]["strata"]:
        columns |= _indicators(rows, stratum, None)
    causes = dict.fromkeys(
        event for outcome in plan["outcomes"].values() for event in outcome["events"]
    )
    events = {cause: events_of(rows, [cause]) for cause in causes}
    columns |= outcome_columns(rows["followup_days"].to_numpy(float), events)
    for name in plan["imputation"]["auxiliary"]:
        columns[name] = rows[name].to_numpy(float)
    return columns


def _on_scale(values: Array, log: NDArray[np.bool_], names: Sequence[str]) -> Array:
    for name, is_log, column in zip(names, log, values.T, strict=True):
        if is_log and (column <= 0).any():
            raise ImputationError(
                f"{name}: a value is not positive and has no logarithm; take its metric out of "
                "imputation.log_scale"
            )
    return np.where(log, np.log(np.where(log, values, 1.0)), values)


def gaps_of(
    cohort: pd.DataFrame, metrics: pd.DataFrame, plan: Mapping[str, Any], visit: str
) -> Gaps:
    """Return what is known of the primary predictors of the landmark cohort.

    Parameters
    ----------
    cohort
        Athletes of the landmark cohort.
    metrics
        Single trials; they tell which values were cut off.

    Raises
    ------
    ImputationError
        No athlete with all covariates; a predictor without values, with one value only, or without
        logarithm; an auxiliary column with gaps.
    """
    needed = [
        *(covariate["column"] for covariate in plan["cox"]["covariates"]),
        *plan["cox"]["strata"],
        "followup_days",
    ]
    complete = complete_rows(cohort, needed)
    rows = complete.rows
    if rows.empty:
        raise ImputationError(
            "no athlete of the landmark cohort has all covariates, strata and follow-up"
        )
    names = [predictor["name"] for predictor in plan["primary"]]
    log_scale = plan["imputation"]["log_scale"]
    log = np.array([predictor["metric"] in log_scale for predictor in plan["primary"]])
    recorded = _on_scale(rows[names].to_numpy(float), log, names)
    clipped = np.column_stack(
        [has_clipped_trial(metrics, p, rows["athlete_id"], visit) for p in plan["primary"]]
    ) & ~np.isnan(recorded)
    columns = predicting_columns(rows, plan)
    data = incomplete(
        np.where(clipped, np.nan, recorded),
        np.where(clipped, recorded, -np.inf),
        np.column_stack(list(columns.values())),
        names,
        list(columns),
    )
    return Gaps(rows, data, log, complete.dropped)


def completed_sets(gaps: Gaps, settings: Mapping[str, Any], data_sets: int) -> list[Completed]:
    """Return completed data sets by the method of the plan.

    Raises
    ------
    ImputationError
        The athletes with a value cannot carry the imputation model of a predictor.
    """
    return impute_many(
        gaps.data,
        data_sets=data_sets,
        iterations=settings["iterations"],
        method=settings["method"],
        donors=settings["donors"],
        seed=settings["seed"],
    )
