"""Step: asymmetry of the limbs by athlete's means, summarised for the group; no athlete is listed.

The limb difference of the mixed model (`limb_difference`) is the estimand of the plan. Here stand
the indexes that readers know, each as mean over athletes with a t interval, and the involved limb
against the uninvolved limb of the first visit, because the uninvolved limb may itself lose capacity
(Wellsandt et al. 2017, J Orthop Sports Phys Ther 47:334). Outcomes play no part.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.asymmetry import RATIO_INDEXES, difference
from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.models.grouped import grouped
from analysis.models.limb_difference import landing_words
from analysis.quantiles import quantile_of_t
from shared.metric_dictionary import Metric, metrics
from shared.tables import read_table

STEP = "analysis.models.asymmetry:asymmetry_of_limbs"
ANALYSIS = "asymmetry"

KEYS = ["metric", "sensor", "task", "landing"]
LIMBS = ["involved", "uninvolved"]

MINIMUM_ATHLETES = 5
"""With fewer a mean with its interval would say little, and would show single athletes: common
practice, no source."""


def limb_means(
    summaries: pd.DataFrame, cohort: pd.DataFrame, minimum_valid_trials: int
) -> pd.DataFrame:
    """Return means of both limbs, one row per athlete, visit, metric, sensor, task and landing.

    Columns: `KEYS`, unit, athlete_id, visit, involved, uninvolved (empty where not measured).
    Athletes with both knees operated have no uninvolved limb and are left out.
    """
    one_knee = cohort.loc[cohort["injured_side"] != "both", "athlete_id"]
    usable = summaries.loc[
        summaries["limb"].isin(LIMBS)
        & summaries["athlete_id"].isin(one_knee)
        & (summaries["n_valid"] >= minimum_valid_trials)
        & summaries["mean"].notna()
    ]
    means = usable.pivot(
        index=[*KEYS, "unit", "athlete_id", "visit"], columns="limb", values="mean"
    )
    return means.reindex(columns=LIMBS).rename_axis(columns=None).reset_index()


def comparisons(
    means: pd.DataFrame, visits: Sequence[str]
) -> Iterator[tuple[str, str, NDArray[Any], NDArray[Any]]]:
    """Yield (visit, whose uninvolved limb, involved, uninvolved) of one metric.

    The uninvolved limb is that of the "same_visit", and at later visits that of the "first_visit"
    of the study too.
    """
    by_visit = {visit: rows.set_index("athlete_id") for (visit,), rows in grouped(means, ["visit"])}
    baseline = by_visit[visits[0]]["uninvolved"] if visits[0] in by_visit else None
    for visit in visits:
        if visit not in by_visit:
            continue
        rows = by_visit[visit]
        yield visit, "same_visit", *_complete(rows["involved"], rows["uninvolved"])
        if baseline is not None and visit != visits[0]:
            yield visit, "first_visit", *_complete(rows["involved"], baseline)


def _complete(involved: pd.Series, uninvolved: pd.Series) -> tuple[NDArray[Any], NDArray[Any]]:
    pairs = pd.concat([involved, uninvolved], axis=1, join="inner").dropna()
    return pairs.iloc[:, 0].to_numpy(dtype=float), pairs.iloc[:, 1].to_numpy(dtype=float)


def _interval(values: NDArray[Any], level: float) -> EstimateFields:
    error = float(values.std(ddof=1) / np.sqrt(values.size))
    half = quantile_of_t(0.5 + level / 2, values.size - 1) * error
    return {
        "se": error,
        "se_scale": "identity",
        "df": values.size - 1,
        "df_method": "athletes - 1",
        "ci_low": float(values.mean()) - half,
        "ci_high": float(values.mean()) + half,
        "ci_level": level,
        "ci_type": "t",
    }


def index_means(
    involved: NDArray[Any], uninvolved: NDArray[Any], metric: Metric, level: float
) -> Iterator[tuple[str, float, EstimateFields]]:
    """Yield (quantity, value, columns) of every index that is defined for the metric.

    Each limb's own mean comes first: limbs may be alike and both be poor. Without a natural zero
    there is the difference alone.
    """
    for limb, values in (("involved", involved), ("uninvolved", uninvolved)):
        yield f"{limb}_mean", float(values.mean()), {"unit": metric.unit, "limb": limb}
    apart = difference(involved, uninvolved)
    yield "difference", float(apart.mean()), {"unit": metric.unit, **_interval(apart, level)}
    yield "difference_deviation", float(apart.std(ddof=1)), {"unit": metric.unit}
    if not metric.has_natural_zero:
        return
    for name, (index, unit) in RATIO_INDEXES.items():
        values = index(involved, uninvolved)
        yield name, float(values.mean()), {"unit": unit, **_interval(values, level)}
    logs = RATIO_INDEXES["log_ratio"][0](involved, uninvolved)
    yield "log_ratio_deviation", float(logs.std(ddof=1)), {"unit": "log"}
    columns = _interval(logs, level)
    columns |= {
        "unit": "ratio",
        "se_scale": "log",
        "ci_low": math.exp(columns["ci_low"]),
        "ci_high": math.exp(columns["ci_high"]),
        "note": "mean of the logarithms, back-transformed",
    }
    yield "geometric_mean_ratio", math.exp(float(logs.mean())), columns
    yield "ratio_of_means", float(involved.mean() / uninvolved.mean()), {"unit": "ratio"}


def metric_numbers(
    levels: tuple[str, ...], means: pd.DataFrame, visits: Sequence[str], level: float
) -> Estimates:
    """Return the numbers of one metric, sensor, task and landing."""
    name, sensor, task, landing = levels
    numbers = Estimates(
        ANALYSIS,
        metric=name,
        sensor=sensor,
        task=task,
        model="mean over athletes of their index",
    )
    subject = (name, sensor, task, *landing_words(landing))
    for visit, against, involved, uninvolved in comparisons(means, visits):
        term = (visit, against)
        fields: EstimateFields = {"n_athletes": involved.size}
        if involved.size < MINIMUM_ATHLETES:
            reason = f"athletes with both limbs: {involved.size}; a mean needs {MINIMUM_ATHLETES}"
            numbers.not_run((*subject, *term), reason, **fields)
            continue
        try:
            indexes = list(index_means(involved, uninvolved, metrics()[name], level))
        except ValueError as error:
            numbers.not_run((*subject, *term), str(error), **fields)
            continue
        for quantity, value, columns in indexes:
            row: EstimateFields = {**fields, **columns}
            numbers.add(subject, term, quantity, value, **row)
    return numbers


def asymmetry_of_limbs(
    *,
    summaries: Path,
    cohort: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    minimum_valid_trials: int,
) -> None:
    """Write the asymmetry of each metric for which the plan has a model of the limb difference."""
    means = limb_means(read_table(summaries), read_table(cohort), minimum_valid_trials)
    chosen = means.loc[
        means["metric"].isin(plan["mixed"]["metrics"]) & means["task"].isin(plan["mixed"]["tasks"])
    ]
    level = float(plan["confidence_level"])
    found = [
        metric_numbers(levels, rows, study["visits"], level)
        for levels, rows in grouped(chosen, KEYS)
    ]
    if not found:
        nothing = Estimates(ANALYSIS)
        nothing.not_run("all", "no athlete was measured on both limbs apart")
        found = [nothing]
    inputs = {"summaries": summaries, "cohort": cohort}
    write_estimates(estimates, *found, step=STEP, inputs=inputs)
