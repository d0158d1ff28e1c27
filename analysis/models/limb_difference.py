"""Step: difference between involved and uninvolved limb, by a mixed model per metric.

Every combination of metric, sensor, task and landing that measures the limbs apart has its own
model; what two sensors measure is never pooled. The models of the tasks that give the plan's
predictors are fitted a second time by a library.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.mixed import ModelRefusedError
from analysis.models.contrast_rows import difference_fields
from analysis.models.grouped import grouped
from analysis.models.limb_model import INVOLVED, LimbFit, LimbModel, fit_limb_model, limb_model
from analysis.models.mixed_second_opinion import library_fit
from analysis.models.trial_design import repeated_athletes, with_people
from shared.tables import read_table

STEP = "analysis.models.limb_difference:limb_differences"

MODEL = "linear mixed model of trials"
LIBRARY_ATHLETES = 2000
"""With more athletes the library's fit, about 5 ms each, is not worth its time."""

KEYS = ("metric", "sensor", "task", "landing")


def landing_words(landing: str) -> tuple[str, ...]:
    """Return a landing as part of an address: the first landing goes without saying."""
    return () if landing == "1" else (f"landing_{landing}",)


def limb_conventions(levels: tuple[str, ...], model: LimbModel) -> EstimateFields:
    """Return the columns that all rows of a limb model share."""
    metric, sensor, task, _ = levels
    fixed = [name for name in model.fixed if name != "intercept"]
    return {
        "model": f"{MODEL}: {' + '.join(fixed)}",
        "family": "secondary",
        "outcome": f"log {metric}" if model.on_log_scale else metric,
        "metric": metric,
        "sensor": sensor,
        "task": task,
        "limb": INVOLVED,
        "n_athletes": int(model.rows["athlete_id"].nunique()),
        "n_trials": len(model.rows),
        "rows_dropped": model.dropped,
    }


def _random_part(found: LimbFit, model: LimbModel) -> str:
    slope = "intercept and limb difference" if found.with_slope else "intercept only: the limb "
    slope += "" if found.with_slope else "difference between athletes is not estimable"
    visits = " and visit in athlete" if repeated_athletes(model.rows) else ""
    return f"random athlete ({slope}){visits}; athletes with two operated knees are left out"


def _add_effect(
    numbers: Estimates,
    subject: tuple[str, ...],
    model: LimbModel,
    effect: float,
    unit: str,
    fields: EstimateFields,
) -> None:
    """Add a difference in units, or on the log scale the ratio of the limbs."""
    if not model.on_log_scale:
        fields["unit"] = unit
        numbers.add(subject, INVOLVED, "mean_difference", effect, **fields)
        return
    fields["unit"] = "ratio"
    for limit in ("ci_low", "ci_high"):
        if limit in fields:
            fields[limit] = math.exp(fields[limit])
    numbers.add(subject, INVOLVED, "ratio", math.exp(effect), **fields)


def _add_fit(
    numbers: Estimates, subject: tuple[str, ...], unit: str, model: LimbModel, found: LimbFit
) -> None:
    difference = found.difference
    scale = "log" if model.on_log_scale else "identity"
    _add_effect(
        numbers,
        subject,
        model,
        difference.estimate,
        unit,
        {
            **difference_fields(difference),
            "se_scale": scale,
            "note": _random_part(found, model),
        },
    )
    on_scale = "log scale" if model.on_log_scale else unit
    for component in found.fit.components:
        names = zip(component.columns, component.standard_deviations, strict=True)
        for column, deviation in names:
            word = "intercept" if column == "(Intercept)" else column
            term = (component.term.replace(" ", "_"), word)
            numbers.add(subject, term, "standard_deviation", float(deviation), unit=on_scale)
    numbers.add(subject, "residual", "standard_deviation", found.fit.sigma, unit=on_scale)


def one_metric(
    levels: tuple[str, ...],
    rows: pd.DataFrame,
    plan: Mapping[str, Any],
    clearance_visit: str,
) -> list[Estimates]:
    """Return the numbers of one model and of its second fit."""
    metric, sensor, task, landing = levels
    subject = (metric, sensor, task, *landing_words(landing))
    on_log_scale = metric in plan["mixed"]["log_scale"]
    try:
        model = limb_model(rows, plan["cox"]["covariates"], clearance_visit, on_log_scale)
        found = fit_limb_model(
            model, plan["mixed"]["degrees_of_freedom"], float(plan["confidence_level"])
        )
    except ModelRefusedError as error:
        refused = Estimates("limb_difference", family="secondary", metric=metric, sensor=sensor)
        refused.not_run(subject, str(error), task=task)
        return [refused]
    shared = limb_conventions(levels, model)
    shared["estimation"] = "REML"
    shared["converged"] = found.fit.converged
    shared["singular"] = found.fit.singular
    numbers = Estimates("limb_difference", **shared)
    unit = str(rows["unit"].iloc[0])
    _add_fit(numbers, subject, unit, model, found)
    if task not in tasks_of_predictors(plan):
        return [numbers]
    return [numbers, _second_opinion(subject, levels, unit, model, found)]


def tasks_of_predictors(plan: Mapping[str, Any]) -> set[str]:
    """Return the tasks of the plan's predictors: their models are fitted by the library too."""
    return {predictor["task"] for predictor in [*plan["primary"], *plan["exploratory"]]}


def _second_opinion(
    subject: tuple[str, ...],
    levels: tuple[str, ...],
    unit: str,
    model: LimbModel,
    found: LimbFit,
) -> Estimates:
    shared = limb_conventions(levels, model)
    shared["family"] = "descriptive"
    shared["estimation"] = "REML, statsmodels MixedLM"
    numbers = Estimates("limb_difference_second_opinion", **shared)
    if shared["n_athletes"] > LIBRARY_ATHLETES:
        numbers.not_run(subject, "the library would take many minutes for so many athletes")
        return numbers
    second = library_fit(model, found.with_slope)
    if second is None:
        numbers.not_run(subject, "the library's optimiser failed on this model")
        return numbers
    scale = "log" if model.on_log_scale else "identity"
    fields: EstimateFields = {
        "se": second.standard_error,
        "se_scale": scale,
        "converged": second.converged,
        "note": "the library has no degrees of freedom, so no interval is compared",
    }
    _add_effect(numbers, subject, model, second.estimate, unit, fields)
    error = found.difference.standard_error
    numbers.add(
        subject,
        INVOLVED,
        "difference_in_standard_errors",
        (second.estimate - found.difference.estimate) / error,
        unit="standard errors",
        note="second estimate minus ours, in units of our standard error",
    )
    numbers.add(
        subject,
        INVOLVED,
        "relative_difference_of_standard_error",
        second.standard_error / error - 1,
        unit="share",
    )
    return numbers


def limb_rows(metrics: pd.DataFrame, cohort: pd.DataFrame, plan: Mapping[str, Any]) -> pd.DataFrame:
    """Return the valid values of the plan's metrics and tasks that tell the limbs apart."""
    covariates = [covariate["column"] for covariate in plan["cox"]["covariates"]]
    apart = metrics["limb"].isin(["involved", "uninvolved"])
    mixed = plan["mixed"]
    chosen = metrics["metric"].isin(mixed["metrics"]) & metrics["task"].isin(mixed["tasks"])
    return with_people(metrics.loc[apart & chosen], cohort, covariates)


def limb_differences(
    *, metrics: Path, cohort: Path, estimates: Path, plan: dict[str, Any], study: dict[str, Any]
) -> None:
    """Write the limb difference of each metric of the plan. Outcomes play no part."""
    rows = limb_rows(read_table(metrics), read_table(cohort), plan)
    found: list[Estimates] = []
    for levels, part in grouped(rows, KEYS):
        found.extend(one_metric(levels, part, plan, study["clearance_visit"]))
    if not found:
        for analysis in ("limb_difference", "limb_difference_second_opinion"):
            nothing = Estimates(analysis)
            nothing.not_run("all", "no limb has a valid value of a metric of the plan")
            found.append(nothing)
    write_estimates(estimates, *found, step=STEP, inputs={"metrics": metrics, "cohort": cohort})
