"""Predictors of the landmark cohort: mean of an athlete's valid trials at the clearance visit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

TRIALS_SUFFIX = "_trials"
"""Column `<predictor>_trials`: valid trials behind the value."""


def matches(table: pd.DataFrame, predictor: Mapping[str, Any]) -> pd.Series:
    """Return which rows of `metrics` or `summaries` belong to a predictor of the plan."""
    return (
        (table["metric"] == predictor["metric"])
        & (table["sensor"] == predictor["sensor"])
        & (table["task"] == predictor["task"])
        & (table["limb"] == predictor["limb"])
        & (table["landing"] == predictor.get("landing", 1))
    )


def predictor_columns(
    summaries: pd.DataFrame,
    predictors: Sequence[Mapping[str, Any]],
    ids: pd.Series,
    *,
    visit: str,
    minimum_valid_trials: int,
) -> pd.DataFrame:
    """Return one row per athlete: each predictor and the number of valid trials behind it.

    A value needs `minimum_valid_trials` valid trials of a limb. After injuries of both knees both
    are involved: the value is then the mean over the knees that have enough trials.
    """
    at_visit = summaries.loc[
        (summaries["visit"] == visit) & (summaries["n_valid"] >= minimum_valid_trials)
    ]
    columns: dict[str, pd.Series] = {"athlete_id": ids}
    for predictor in predictors:
        rows = at_visit.loc[matches(at_visit, predictor)].groupby("athlete_id", sort=True)
        columns[predictor["name"]] = ids.map(rows["mean"].mean()).astype("float64")
        trials = ids.map(rows["n_valid"].sum()).fillna(0)
        columns[predictor["name"] + TRIALS_SUFFIX] = trials.astype("int64")
    return pd.DataFrame(columns)
