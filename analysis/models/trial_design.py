"""Columns of the mixed models of trial-level metrics: covariates, groups, random terms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.mixed import ModelRefusedError, RandomTerm, nested_labels, random_intercept

Array = NDArray[Any]

ATHLETE = "athlete"
VISIT = "visit in athlete"


def indicator_columns(values: pd.Series, reference: str | None = None) -> dict[str, Array]:
    """Return one 0/1 column per level but the reference (None = the first level in order)."""
    levels = sorted({str(value) for value in values})
    base = reference if reference in levels else levels[0]
    return {
        f"{values.name}_{level}": (values.astype(str) == level).to_numpy(dtype=float)
        for level in levels
        if level != base
    }


def covariate_columns(
    rows: pd.DataFrame, covariates: Sequence[Mapping[str, Any]]
) -> dict[str, Array]:
    """Return the plan's covariates as columns; numbers are centred, in steps of `per`."""
    columns: dict[str, Array] = {}
    for covariate in covariates:
        name = covariate["column"]
        if covariate["reference"] is not None:
            columns |= indicator_columns(rows[name], covariate["reference"])
            continue
        values = rows[name].to_numpy(dtype=float) / float(covariate["per"])
        if np.ptp(values) > 0:
            columns[name] = values - values.mean()
    return columns


def fixed_columns(
    rows: pd.DataFrame, covariates: Sequence[Mapping[str, Any]], clearance_visit: str
) -> dict[str, Array]:
    """Return intercept, site, visit and covariates; a factor with one level has no column.

    Raises
    ------
    ModelRefusedError
        There is no row.
    """
    if rows.empty:
        raise ModelRefusedError("no athlete of the cohort has a valid trial and all covariates")
    return {
        "intercept": np.ones(len(rows)),
        **indicator_columns(rows["site"]),
        **indicator_columns(rows["visit"], clearance_visit),
        **covariate_columns(rows, covariates),
    }


def visit_term(rows: pd.DataFrame) -> list[RandomTerm]:
    """Return the random visit in athlete, or nothing where no athlete was measured twice."""
    if repeated_athletes(rows) == 0:
        return []
    return [random_intercept(VISIT, nested_labels(rows["athlete_id"], rows["visit"]))]


def repeated_athletes(rows: pd.DataFrame) -> int:
    """Return how many athletes have more than one visit."""
    visits = rows[["athlete_id", "visit"]].drop_duplicates()
    return int((visits["athlete_id"].value_counts() > 1).sum())


def with_people(
    metrics: pd.DataFrame, cohort: pd.DataFrame, columns: Sequence[str]
) -> pd.DataFrame:
    """Return valid metric rows with the named columns of the cohort added."""
    usable = metrics.loc[metrics["valid"] & metrics["value"].notna()]
    wanted = ["athlete_id", "injured_side", *(name for name in columns if name != "site")]
    return usable.merge(cohort[wanted], on="athlete_id", how="inner", validate="many_to_one")
