"""Step: reliability of the metrics, from the variation between athletes, visits and trials.

value = covariates + site + visit (fixed) + athlete + visit in athlete + trial (random), REML. Three
sites are too few for a variance between them, so a site is a fixed effect. What more trials cannot
average out is what changes from visit to visit: reliability between visits has a ceiling.

Every number has an interval: parametric bootstrap (percentiles) of the components and of what
follows from them, Q-profile for the sites, F and chi-squared for the intraclass correlations.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.predictors import matches
from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.mixed import MixedFit, ModelRefusedError, fit_mixed, random_intercept
from analysis.models.agreement_of_repeats import (
    TRIALS,
    VISITS,
    add_agreement,
    on_scale,
    trials_table,
    visits_table,
)
from analysis.models.grouped import grouped
from analysis.models.limb_difference import landing_words
from analysis.models.reliability_rows import (
    LOG_SCALE,
    ONE_VISIT,
    Deviations,
    Presented,
    add_reliability,
    add_share,
    quantities,
)
from analysis.models.trial_design import (
    ATHLETE,
    VISIT,
    fixed_columns,
    repeated_athletes,
    visit_term,
    with_people,
)
from analysis.reliability import bootstrap_components, variance_between_groups, visit_design
from shared.tables import read_table

STEP = "analysis.models.metric_reliability:metric_reliability"

KEYS = ("metric", "sensor", "task", "landing", "limb")
ANALYSIS = "metric_reliability"
SITE_NOTE = "from the sites' adjusted means and their covariance (Paule-Mandel)"


def deviations(fit: MixedFit, rows: pd.DataFrame, samples: int, seed: int) -> Deviations:
    """Return the standard deviations of a fit, and `samples` bootstrap refits of them."""
    athlete = float(fit.component(ATHLETE).standard_deviations[0])
    terms = [component.term for component in fit.components]
    visit = float(fit.component(VISIT).standard_deviations[0]) if VISIT in terms else None
    if samples == 0:
        return Deviations(athlete, visit, fit.sigma, None)
    design = visit_design(fit.problem.design.fixed, rows["athlete_id"], rows["visit"])
    drawn = bootstrap_components(design, athlete, visit or 0.0, fit.sigma, samples, seed)
    return Deviations(athlete, visit, fit.sigma, drawn.deviations)


def _add_clipped(numbers: Estimates, subject: tuple[str, ...], rows: pd.DataFrame) -> None:
    """Add how many values a saturated sensor cut off; they count as they were read.

    Left out, they would take the highest values of those who land hardest with them.
    """
    clipped = float((rows["censoring"] == "right").sum())
    numbers.add(subject, "clipped", "count", clipped, unit="values", note="they count as read")


def _add_site(
    numbers: Estimates, subject: tuple[str, ...], fit: MixedFit, unit: str, level: float
) -> None:
    """Add the standard deviation between sites, whose means are fixed effects of the model."""
    places = [place for place, name in enumerate(fit.fixed_names) if name.startswith("site_")]
    if not places:
        numbers.not_run((*subject, "site"), "one site has no variation between sites")
        return
    found = variance_between_groups(
        fit.coefficients[places], fit.covariance[np.ix_(places, places)], level
    )
    low, estimate, high = (float(np.sqrt(v)) for v in (found.low, found.variance, found.high))
    fields: EstimateFields = {"unit": unit, "ci_low": low, "ci_high": high, "ci_level": level}
    fields |= {"ci_type": "Q-profile", "note": SITE_NOTE}
    numbers.add(subject, "site", "standard_deviation", estimate, **fields)
    if unit == LOG_SCALE:
        add_share(numbers, subject, "site", estimate, fields)


def _add_repeats(
    numbers: Estimates,
    subject: tuple[str, ...],
    rows: pd.DataFrame,
    clearance_visit: str,
    unit: str,
    level: float,
) -> None:
    visits = [clearance_visit, *sorted(set(rows["visit"]) - {clearance_visit})]
    for term, table in (
        (TRIALS, trials_table(rows, clearance_visit)),
        (VISITS, visits_table(rows, visits)),
    ):
        add_agreement(numbers, subject, term, table, unit, level)


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
        found = deviations(fit, known, plan["mixed"]["reliability_refits"], int(plan["seed"]))
        quantities(found.athlete, found.visit or 0.0, found.trial, trials)
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
    level = float(plan["confidence_level"])
    drawn = plan["mixed"]["reliability_trials"]
    _add_clipped(shown, subject, known)
    add_reliability(shown, subject, found, Presented(trials, drawn, unit, level))
    _add_site(shown, subject, fit, unit, level)
    _add_repeats(shown, subject, on_scale(known, on_log_scale), clearance_visit, unit, level)
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
