"""Step: reliability of the metrics, from the variation between athletes, visits and trials.

value = covariates + site + visit (fixed) + athlete + visit in athlete + trial (random), REML. Three
sites are too few for a variance between them, so a site is a fixed effect. What more trials cannot
average out is what changes from visit to visit: reliability between visits has a ceiling.

Every metric of the plan is described; the plan's predictors also get intervals, by parametric
bootstrap (percentiles).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.predictors import matches
from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.mixed import MixedFit, ModelRefusedError, fit_mixed, random_intercept
from analysis.mixed.bootstrap import parametric_bootstrap
from analysis.models.grouped import grouped
from analysis.models.limb_difference import landing_words
from analysis.models.trial_design import (
    ATHLETE,
    VISIT,
    fixed_columns,
    repeated_athletes,
    visit_term,
    with_people,
)
from analysis.reliability.components import component_reliability
from shared.tables import read_table

STEP = "analysis.models.metric_reliability:metric_reliability"

Array = NDArray[Any]

KEYS = ("metric", "sensor", "task", "landing", "limb")
TARGETS = (0.8, 0.9)
ANALYSIS = "metric_reliability"


@dataclass(frozen=True)
class Deviations:
    """Standard deviations between athletes, visits of an athlete, trials of a visit.

    `visit` is None where nobody was measured at two visits: it is then part of `athlete`. `draws`
    holds bootstrap refits, shape (samples, 3), or nothing.
    """

    athlete: float
    visit: float | None
    trial: float
    draws: Array | None


def _visit_deviation(fit: MixedFit) -> float | None:
    found = [c for c in fit.components if c.term == VISIT]
    return float(found[0].standard_deviations[0]) if found else None


def deviations(fit: MixedFit, samples: int, seed: int) -> Deviations:
    """Return the standard deviations of a fit, and `samples` bootstrap refits of them."""
    draws = None
    if samples:
        sample = parametric_bootstrap(fit, samples, seed)
        columns = {
            term: place for place, (term, name) in enumerate(sample.names) if term != "fixed"
        }
        visit = (
            sample.estimates[:, columns[VISIT]]
            if VISIT in columns
            else np.zeros(len(sample.estimates))
        )
        draws = np.column_stack(
            [sample.estimates[:, columns[ATHLETE]], visit, sample.estimates[:, columns["residual"]]]
        )
    athlete = float(fit.component(ATHLETE).standard_deviations[0])
    return Deviations(athlete, _visit_deviation(fit), fit.sigma, draws)


def _quantities(athlete: Any, visit: Any, trial: Any, trials: int) -> dict[str, Any]:
    """Return every derived quantity from standard deviations (numbers, or arrays of draws)."""
    single = component_reliability(athlete**2, visit**2, trial**2, 1)
    mean = component_reliability(athlete**2, visit**2, trial**2, trials)
    return {
        "athlete": athlete,
        "visit": visit,
        "trial": trial,
        "one_trial": single.between_visits,
        "mean_of_trials": mean.between_visits,
        "within_visit": mean.within_visit,
        "error_of_mean": mean.standard_error,
        "detectable_change": mean.detectable_change,
    }


_KINDS = {
    "athlete": "standard_deviation",
    "visit": "standard_deviation",
    "trial": "standard_deviation",
    "one_trial": "reliability",
    "mean_of_trials": "reliability",
    "within_visit": "reliability",
    "error_of_mean": "standard_error_of_measurement",
    "detectable_change": "detectable_change",
}


ONE_VISIT = (
    "nobody has two visits: what changes between visits is not known, and is part of the athletes' "
    "variation"
)
LOG_SCALE = "log scale"
AS_SHARE = "share_of_value"
_AS_SHARE = ("athlete", "visit", "trial", "error_of_mean", "detectable_change")
"""What is also told as a share of the value where the model is of logarithms: exp(x) - 1."""

_NEEDS_TWO_VISITS = {"visit", "one_trial", "mean_of_trials", "error_of_mean", "detectable_change"}


def trials_to_reach(found: Deviations, target: float) -> tuple[float | None, str]:
    """Return how many trials at one visit reach a reliability between visits, or why none do.

    athlete^2 / (athlete^2 + visit^2 + trial^2 / k) >= target; without a visit's own variation this
    is the formula of Spearman and Brown.
    """
    if found.visit is None:
        return None, ONE_VISIT
    if found.athlete == 0.0:
        return None, "not reached by any number of trials: athletes do not differ beyond error"
    room = found.athlete**2 * (1.0 / target - 1.0) - found.visit**2
    if room <= 0.0:
        ceiling = found.athlete**2 / (found.athlete**2 + found.visit**2)
        return None, f"not reached by any number of trials: the ceiling is {ceiling:.2f}"
    return float(max(1, math.ceil(found.trial**2 / room - 1e-9))), ""


def _add_share(
    numbers: Estimates, subject: tuple[str, ...], term: str, value: float, fields: EstimateFields
) -> None:
    """Add a distance of logarithms as the share by which the larger value exceeds the smaller."""
    shared: EstimateFields = {**fields, "unit": "share"}
    for limit in ("ci_low", "ci_high"):
        if limit in shared:
            shared[limit] = math.expm1(shared[limit])
    numbers.add(subject, term, AS_SHARE, math.expm1(value), **shared)


def add_numbers(
    numbers: Estimates,
    subject: tuple[str, ...],
    found: Deviations,
    trials: int,
    unit: str,
    level: float,
) -> None:
    """Add the numbers of one group; with draws each carries a percentile interval."""
    drawn = _quantities(*found.draws.T, trials) if found.draws is not None else {}
    tail = 50.0 * (1.0 - level)
    values = _quantities(found.athlete, found.visit or 0.0, found.trial, trials)
    for term, value in values.items():
        fields: EstimateFields = {"unit": "share" if _KINDS[term] == "reliability" else unit}
        if found.visit is None and term in _NEEDS_TWO_VISITS:
            numbers.add(subject, term, _KINDS[term], None, **{**fields, "note": ONE_VISIT})
            continue
        if term in drawn:
            low, high = np.percentile(drawn[term], [tail, 100.0 - tail])
            fields["ci_low"], fields["ci_high"] = float(low), float(high)
            fields["ci_level"], fields["ci_type"] = level, "parametric bootstrap, percentiles"
        numbers.add(subject, term, _KINDS[term], float(value), **fields)
        if unit == LOG_SCALE and term in _AS_SHARE:
            _add_share(numbers, subject, term, float(value), fields)
    for target in TARGETS:
        count, why = trials_to_reach(found, target)
        numbers.add(subject, f"for_{100 * target:.0f}", "trials_needed", count, note=why)


def _has_interval(levels: tuple[str, ...], plan: Mapping[str, Any]) -> bool:
    predictors = [*plan["primary"], *plan["exploratory"]]
    return any(
        (p["metric"], p["sensor"], p["task"], str(p.get("landing", 1)), p["limb"]) == levels
        for p in predictors
    )


def one_group(
    levels: tuple[str, ...],
    rows: pd.DataFrame,
    trials: int,
    plan: Mapping[str, Any],
    clearance_visit: str,
) -> Estimates:
    """Return the numbers of one metric by one sensor in one task, landing and limb."""
    metric, sensor, task, landing, limb = levels
    subject = (metric, sensor, task, *landing_words(landing), limb)
    on_log_scale = metric in plan["mixed"]["log_scale"]
    common: EstimateFields = {
        "metric": metric, "sensor": sensor, "task": task, "limb": limb, "family": "descriptive",
    }  # fmt: skip
    names = [covariate["column"] for covariate in plan["cox"]["covariates"]]
    one_knee = (rows["injured_side"] != "both") | (limb == "both")
    known = rows.loc[one_knee & rows[names].notna().all(axis=1)].reset_index(drop=True)
    numbers = Estimates(ANALYSIS, **common)
    values = known["value"].to_numpy(dtype=float)
    try:
        if on_log_scale and len(values) and values.min() <= 0:
            raise ModelRefusedError("the logarithm needs values above zero")
        columns = fixed_columns(known, plan["cox"]["covariates"], clearance_visit)
        fit = fit_mixed(
            np.log(values) if on_log_scale else values,
            np.column_stack(list(columns.values())),
            [random_intercept(ATHLETE, known["athlete_id"].to_numpy()), *visit_term(known)],
            fixed_names=list(columns),
        )
        samples = plan["mixed"]["reliability_refits"] if _has_interval(levels, plan) else 0
        found = deviations(fit, samples, int(plan["seed"]))
        _quantities(found.athlete, found.visit or 0.0, found.trial, trials)
    except (ModelRefusedError, ValueError) as error:
        numbers.not_run(subject, str(error))
        return numbers
    shown = Estimates(
        ANALYSIS,
        **common,
        model="linear mixed model of trials: site, visit and covariates fixed; athlete and visit "
        "in athlete random",
        outcome=f"log {metric}" if on_log_scale else metric,
        estimation="REML",
        converged=fit.converged,
        singular=fit.singular,
        n_athletes=int(known["athlete_id"].nunique()),
        n_trials=len(known),
        rows_dropped=len(rows) - len(known),
        note="" if repeated_athletes(known) else ONE_VISIT,
    )
    unit = LOG_SCALE if on_log_scale else str(known["unit"].iloc[0])
    add_numbers(shown, subject, found, trials, unit, float(plan["confidence_level"]))
    return shown


def _of_the_plan(metrics: pd.DataFrame, plan: Mapping[str, Any]) -> pd.DataFrame:
    mixed = plan["mixed"]
    chosen = metrics["metric"].isin(mixed["metrics"]) & metrics["task"].isin(mixed["tasks"])
    for predictor in [*plan["primary"], *plan["exploratory"]]:
        chosen |= matches(metrics, predictor)
    return metrics.loc[chosen & metrics["valid"]]


def reliabilities(
    metrics: pd.DataFrame, cohort: pd.DataFrame, plan: Mapping[str, Any], clearance_visit: str
) -> Iterator[Estimates]:
    """Yield the numbers of every group of the plan's metrics."""
    names = [covariate["column"] for covariate in plan["cox"]["covariates"]]
    # The protocol's number of trials: the most that any athlete has of a task, limb and visit.
    rows = with_people(_of_the_plan(metrics, plan), cohort, names)
    for levels, group in grouped(rows, list(KEYS)):
        trials = int(group.groupby(["athlete_id", "visit"])["trial"].nunique().max())
        yield one_group(levels, group, trials, plan, clearance_visit)


def metric_reliability(
    *,
    metrics: Path,
    cohort: Path,
    estimates: Path,
    plan: dict[str, Any],
    study: dict[str, Any],
) -> None:
    """Write variance components, reliability, error of measurement and trials needed."""
    parts = list(
        reliabilities(read_table(metrics), read_table(cohort), plan, study["clearance_visit"])
    )
    if not parts:
        nothing = Estimates(ANALYSIS)
        nothing.not_run("all", "no athlete of the cohort has a valid value of a metric of the plan")
        parts.append(nothing)
    write_estimates(estimates, *parts, step=STEP, inputs={"metrics": metrics, "cohort": cohort})
