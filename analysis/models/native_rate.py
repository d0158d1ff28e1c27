"""Step: what the common sampling rate changes: predictors and primary models at the native rate.

The primary analysis brings each kind of sensor to one rate, so that a rate is not mistaken for a
site. Here the plan's predictors are taken from signals as they were recorded: by how much they
differ, site by site, and the primary models once more. Rate and site cannot be told apart in these
models, which is why they are a sensitivity analysis and no more.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.cohort.predictors import predictor_columns
from analysis.estimates import Estimates, refusals, write_estimates
from analysis.models.cox_models import joint_models
from shared.tables import read_table

STEP = "analysis.models.native_rate:native_rate"
ANALYSIS = "native_rate"
COX = "cox_native_rate"


def with_native_predictors(
    cohort: pd.DataFrame, native: pd.DataFrame, plan: Mapping[str, Any], visit: str, trials: int
) -> pd.DataFrame:
    """Return the cohort with the plan's predictors from the summaries `native`."""
    predictors = [*plan["primary"], *plan["exploratory"]]
    columns = predictor_columns(
        native, predictors, cohort["athlete_id"], visit=visit, minimum_valid_trials=trials
    )
    return cohort.assign(**columns.drop(columns="athlete_id"))


def differences(
    common: pd.DataFrame, native: pd.DataFrame, plan: Mapping[str, Any]
) -> Iterator[Estimates]:
    """Yield how far the native predictors lie from the common ones, by site.

    Parameters
    ----------
    common, native
        The landmark cohort with the predictors at the common and at the native rate.
    """
    for predictor in [*plan["primary"], *plan["exploratory"]]:
        name = predictor["name"]
        numbers = Estimates(
            ANALYSIS,
            family="descriptive",
            metric=predictor["metric"],
            sensor=predictor["sensor"],
            task=predictor["task"],
            limb=predictor["limb"],
        )
        change = (native[name] - common[name]).dropna()
        if change.empty:
            numbers.not_run(name, "no athlete has this predictor")
            yield numbers
            continue
        spread = float(common[name].std(ddof=1))
        if not spread > 0:
            numbers.not_run(name, "athletes do not differ in this predictor, so there is no SD")
            yield numbers
            continue
        for site, part in change.groupby(common.loc[change.index, "site"], sort=True):
            share = float(part.mean()) / spread
            size = {"n_athletes": len(part)}
            numbers.add(name, site, "mean_change_in_sd", share, site=site, unit="SD", **size)
            largest = float(part.abs().max()) / spread
            numbers.add(name, site, "largest_change_in_sd", largest, site=site, unit="SD", **size)
        yield numbers


def native_rate(
    *,
    cohort: Path,
    native_summaries: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
    freeze: dict[str, Any],
    minimum_valid_trials: int,
) -> None:
    """Write the change of every predictor by site, and the primary models at the native rate."""
    rows = landmark_rows(read_table(cohort))
    summaries = read_table(native_summaries)
    native = with_native_predictors(
        rows, summaries, plan, study["clearance_visit"], minimum_valid_trials
    )
    found = list(differences(rows, native, plan))
    if reason := reason_not_to_run(freeze):
        found += refusals([COX], "all", reason)
    else:
        found += joint_models(native, plan, COX, "secondary", plan["primary_outcomes"])
    inputs = {"cohort": cohort, "native_summaries": native_summaries}
    write_estimates(estimates, *found, step=STEP, inputs=inputs)
