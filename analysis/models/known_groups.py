"""Step: do the metrics tell instructed landings apart that are known to differ?

A soft landing has the smaller force peak and the larger knee excursion than a stiff one (DeVita &
Skelly 1992, Med Sci Sports Exerc 24:108). A metric that does not show it between the landings of
the same athletes measures something else. Nothing here is said of an athlete.

value (or its logarithm) = site + operated limb + instruction (fixed) + athlete, with the athlete's
own answer to the instruction where it can be estimated + limb in athlete where both were measured
(random), REML.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.mixed import (
    ContrastT,
    MixedFit,
    ModelRefusedError,
    fit_mixed,
    nested_labels,
    random_intercept,
    random_slopes,
)
from analysis.models.contrast_rows import contrast_by, difference_fields, ratio_fields
from analysis.models.trial_design import ATHLETE, indicator_columns
from shared.tables import read_table

STEP = "analysis.models.known_groups:known_groups"
ANALYSIS = "known_groups"
LIMB = "limb in athlete"

Array = NDArray[Any]


@dataclass(frozen=True)
class GroupFit:
    """Difference of two instructions, first minus second, on the model's scale."""

    fit: MixedFit
    difference: ContrastT
    with_slope: bool
    rows: pd.DataFrame


def paired_rows(
    metrics: pd.DataFrame, groups: Mapping[str, Any], entry: Mapping[str, Any]
) -> pd.DataFrame:
    """Return the valid values of a metric from athletes who did both instructions."""
    tasks = [groups["first"], groups["second"]]
    chosen = metrics.loc[
        (metrics["metric"] == entry["metric"])
        & (metrics["sensor"] == entry["sensor"])
        & metrics["task"].isin(tasks)
        & metrics["valid"]
        & metrics["value"].notna()
    ]
    both = chosen.groupby("athlete_id")["task"].nunique() == len(tasks)
    return chosen.loc[chosen["athlete_id"].isin(both.index[both])].reset_index(drop=True)


def fit_groups(
    rows: pd.DataFrame, first: str, log_scale: bool, df_method: str, level: float
) -> GroupFit:
    """Fit the paired difference of the task `first` against the other one.

    Raises
    ------
    ModelRefusedError
        Fewer than two athletes did both, or a logarithm of a value <= 0.
    """
    if rows["athlete_id"].nunique() < 2:
        raise ModelRefusedError("fewer than two athletes did both kinds of landing")
    values = rows["value"].to_numpy(dtype=float)
    if log_scale and values.min() <= 0:
        raise ModelRefusedError("the logarithm needs values above zero")
    is_first = (rows["task"] == first).to_numpy(dtype=float)
    fixed = {
        "intercept": np.ones(len(rows)),
        **indicator_columns(rows["site"]),
        **indicator_columns(rows["limb"], "uninvolved"),
        "instruction": is_first,
    }
    response = np.log(values) if log_scale else values
    repeated = bool(rows.groupby(["athlete_id", "task"]).size().max() > 1)
    fit = _fit(response, fixed, rows, is_first - 0.5 if repeated else None)
    with_slope = repeated and fit.converged and not fit.singular
    if repeated and not with_slope:
        fit = _fit(response, fixed, rows, None)
    weights = np.array([float(name == "instruction") for name in fixed])
    return GroupFit(fit, contrast_by(df_method, fit, weights, level), with_slope, rows)


def _fit(
    response: Array, fixed: Mapping[str, Array], rows: pd.DataFrame, half: Array | None
) -> MixedFit:
    athletes = rows["athlete_id"].to_numpy()
    athlete = (
        random_intercept(ATHLETE, athletes)
        if half is None
        else random_slopes(ATHLETE, athletes, half, ["instruction"])
    )
    terms = [athlete]
    if rows.groupby("athlete_id")["side"].nunique().max() > 1:
        terms.append(random_intercept(LIMB, nested_labels(rows["athlete_id"], rows["side"])))
    return fit_mixed(
        response, np.column_stack(list(fixed.values())), terms, fixed_names=list(fixed)
    )


def one_metric(
    metrics: pd.DataFrame, entry: Mapping[str, Any], plan: Mapping[str, Any]
) -> Estimates:
    """Return the difference of a metric between the instructions, and which way it was expected."""
    groups, metric = plan["known_groups"], entry["metric"]
    log_scale = metric in plan["mixed"]["log_scale"]
    rows = paired_rows(metrics, groups, entry)
    common: EstimateFields = {
        "metric": metric, "sensor": entry["sensor"], "family": "descriptive",
    }  # fmt: skip
    numbers = Estimates(ANALYSIS, **common)
    subject = (metric, entry["sensor"])
    try:
        found = fit_groups(
            rows,
            groups["first"],
            log_scale,
            plan["mixed"]["degrees_of_freedom"],
            float(plan["confidence_level"]),
        )
    except (ModelRefusedError, ValueError) as error:
        numbers.not_run(subject, str(error))
        return numbers
    difference = found.difference
    slope = "with the athlete's own difference" if found.with_slope else "intercept only"
    shown = Estimates(
        ANALYSIS,
        **common,
        model="linear mixed model of trials: site, limb and instruction fixed; athlete and limb in "
        "athlete random",
        outcome=f"log {metric}" if log_scale else metric,
        estimation="REML",
        converged=found.fit.converged,
        singular=found.fit.singular,
        n_athletes=int(rows["athlete_id"].nunique()),
        n_trials=len(rows),
    )
    columns = ratio_fields(difference) if log_scale else difference_fields(difference)
    unit = str(rows["unit"].iloc[0])
    shown.add(
        subject,
        "first_against_second",
        "ratio" if log_scale else "mean_difference",
        math.exp(difference.estimate) if log_scale else difference.estimate,
        unit="ratio" if log_scale else unit,
        **columns,
        note=f"random athlete: {slope}; expected to be {entry['expected']}",
    )
    for task, term in ((groups["first"], "first"), (groups["second"], "second")):
        of_task = rows.loc[rows["task"] == task]
        shown.add(subject, term, "mean", float(of_task["value"].mean()), unit=unit, task=task)
        clipped = float((of_task["censoring"] == "right").mean())
        shown.add(subject, term, "clipped_share", clipped, unit="share", task=task)
    return shown


def known_groups(*, metrics: Path, estimates: Path, plan: dict[str, Any]) -> None:
    """Write the differences of the metrics between two instructed landings."""
    table = read_table(metrics)
    groups = plan["known_groups"]
    if groups is None:
        numbers = Estimates(ANALYSIS, family="descriptive")
        numbers.not_run(("all",), "the plan names no instructed landings")
        found = [numbers]
    else:
        found = [one_metric(table, entry, plan) for entry in groups["metrics"]]
    write_estimates(estimates, *found, step=STEP, inputs={"metrics": metrics})
