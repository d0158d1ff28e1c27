"""Step: checks of the mixed models of the limb difference. None of them replaces an estimate.

Of every model: does the limb difference change between visits, do the limbs have residual
variances of their own (likelihood-ratio tests of ML fits, differences of AIC and BIC), what do the
other degrees of freedom say, what do residuals, influence and predicted effects look like. Of the
models of the plan's predictors: profile intervals of the difference and of the variances; of its
primary predictors also percentiles of a parametric bootstrap.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.mixed import MixedFit, ModelRefusedError, kenward_roger_t, refit, satterthwaite_t
from analysis.mixed.bootstrap import parametric_bootstrap
from analysis.mixed.likelihood_ratio import likelihood_ratio_test
from analysis.mixed.profile import profile_fixed_effects, profile_variance
from analysis.models.contrast_rows import difference_fields, ratio_fields
from analysis.models.grouped import grouped
from analysis.models.limb_diagnostics import add_diagnostics
from analysis.models.limb_difference import KEYS, landing_words, limb_conventions, limb_rows
from analysis.models.limb_model import (
    INVOLVED,
    LimbFit,
    LimbModel,
    fit_limb_model,
    fit_variant,
    limb_model,
)
from shared.tables import read_table

STEP = "analysis.models.limb_checks:limb_checks"
ANALYSIS = "limb_difference_checks"
BY_VISIT, BY_LIMB = "limb_by_visit", "residual_variance_by_limb"
PROFILE = "profile likelihood (ML)"
PERCENTILES = "parametric bootstrap, percentiles"


def interaction_columns(model: LimbModel) -> dict[str, Any]:
    """Return the columns of limb by visit; nothing where there is one visit."""
    return {
        f"{INVOLVED} x {name}": column * model.fixed[INVOLVED]
        for name, column in model.fixed.items()
        if name.startswith("visit_")
    }


def _add_test(
    numbers: Estimates,
    subject: tuple[str, ...],
    term: str,
    pair: tuple[MixedFit, MixedFit],
    note: str,
) -> None:
    """Add the likelihood-ratio test of the smaller against the larger model, both by ML."""
    smaller, larger = pair
    found = likelihood_ratio_test(smaller, larger)
    state: EstimateFields = {
        "estimation": found.method,
        "converged": smaller.converged and larger.converged,
        "singular": smaller.singular or larger.singular,
        "note": note,
    }
    tested: EstimateFields = {
        "statistic": found.statistic,
        "statistic_kind": "chi-squared",
        "df": float(found.df),
        "df_method": "likelihood ratio: number of added parameters",
        "p": found.p_value,
    }
    numbers.add(
        subject, term, "likelihood_ratio_test", found.statistic, unit="", **{**state, **tested}
    )
    for quantity, value in (
        ("aic_difference", larger.aic - smaller.aic),
        ("bic_difference", larger.bic - smaller.bic),
    ):
        numbers.add(subject, term, quantity, value, unit="", **state)


def _add_tests(
    numbers: Estimates,
    subject: tuple[str, ...],
    model: LimbModel,
    found: LimbFit,
    plain: MixedFit,
) -> None:
    """Add the tests of a limb difference by visit and of a variance by limb; `plain` is by ML."""
    added = interaction_columns(model)
    try:
        if added:
            larger = fit_variant(model, found.with_slope, "ML", added=added)
            _add_test(numbers, subject, BY_VISIT, (plain, larger), "limb difference by visit")
        else:
            numbers.not_run((*subject, BY_VISIT), "there is one visit")
        limbs = model.rows["limb"].to_numpy()
        larger = fit_variant(model, found.with_slope, "ML", residual_strata=limbs)
        note = "a residual variance for each limb against a common one"
        _add_test(numbers, subject, BY_LIMB, (plain, larger), note)
    except ModelRefusedError as error:
        numbers.not_run((*subject, "likelihood_ratio_tests"), str(error))


def _add_by_limb(
    numbers: Estimates, subject: tuple[str, ...], model: LimbModel, found: LimbFit, level: float
) -> None:
    """Add the REML fit with a residual variance per limb, and its limb difference."""
    fit = fit_variant(model, found.with_slope, residual_strata=model.rows["limb"].to_numpy())
    state: EstimateFields = {"converged": fit.converged, "singular": fit.singular}
    for limb, deviation in fit.residual_deviations.items():
        unit = "log scale" if model.on_log_scale else str(model.rows["unit"].iloc[0])
        numbers.add(
            subject, ("residual", limb), "standard_deviation", deviation, unit=unit, **state
        )
    contrast = satterthwaite_t(fit, model.contrast, level)[0]
    _add_difference(numbers, subject, BY_LIMB, model, contrast, state)


def _add_difference(
    numbers: Estimates,
    subject: tuple[str, ...],
    term: str,
    model: LimbModel,
    contrast: Any,
    state: EstimateFields,
) -> None:
    if model.on_log_scale:
        fields: EstimateFields = {**ratio_fields(contrast), **state, "unit": "ratio"}
        numbers.add(subject, (INVOLVED, term), "ratio", math.exp(contrast.estimate), **fields)
        return
    fields = {**difference_fields(contrast), **state, "unit": str(model.rows["unit"].iloc[0])}
    numbers.add(subject, (INVOLVED, term), "mean_difference", contrast.estimate, **fields)


def _add_other_degrees_of_freedom(
    numbers: Estimates, subject: tuple[str, ...], model: LimbModel, found: LimbFit, level: float
) -> None:
    """Add the limb difference by both methods of degrees of freedom."""
    for term, test in (("satterthwaite", satterthwaite_t), ("kenward_roger", kenward_roger_t)):
        try:
            contrast = test(found.fit, model.contrast, level)[0]
        except ModelRefusedError as error:
            numbers.not_run((*subject, term), str(error))
            continue
        _add_difference(numbers, subject, term, model, contrast, {})


def _term_words(term: str, quantity: str) -> tuple[str, ...]:
    kind, _, columns = quantity.partition(" ")
    named = columns.replace("(Intercept)", "intercept").replace(" ", "_")
    return (term.replace(" ", "_"), named) if kind == "sd" else (term.replace(" ", "_"), kind)


def _add_profiled_difference(
    numbers: Estimates, subject: tuple[str, ...], model: LimbModel, plain: MixedFit, level: float
) -> None:
    found = profile_fixed_effects(plain, model.contrast, level)[0]
    shown = (found.estimate, found.low, found.high)
    quantity, unit = "mean_difference", str(model.rows["unit"].iloc[0])
    if model.on_log_scale:
        estimate, low, high = (math.exp(value) for value in shown)
        quantity, unit = "ratio", "ratio"
    else:
        estimate, low, high = shown
    fields: EstimateFields = {
        "estimation": "ML",
        "ci_low": low,
        "ci_high": high,
        "ci_level": level,
        "ci_type": PROFILE,
        "unit": unit,
        "note": "ML as the profile needs it, so a little narrower than by REML",
    }
    numbers.add(subject, (INVOLVED, "profile"), quantity, estimate, **fields)


def _add_profiles(
    numbers: Estimates, subject: tuple[str, ...], model: LimbModel, plain: MixedFit, level: float
) -> None:
    """Add profile intervals of the limb difference and of the standard deviations.

    Those of a deviation may reach zero. `plain` is by ML.
    """
    _add_profiled_difference(numbers, subject, model, plain, level)
    unit = "log scale" if model.on_log_scale else str(model.rows["unit"].iloc[0])
    for interval in profile_variance(plain, level):
        is_deviation = interval.quantity.startswith("sd ")
        fields: EstimateFields = {
            "estimation": "ML",
            "ci_low": interval.low,
            "ci_high": interval.high,
            "ci_level": level,
            "ci_type": PROFILE,
            "unit": unit if is_deviation else "correlation",
            "note": "ML as the profile needs it; the limb difference itself is by REML",
        }
        quantity = "standard_deviation" if is_deviation else "correlation"
        term = ("profile", *_term_words(interval.term, interval.quantity))
        numbers.add(subject, term, quantity, interval.estimate, **fields)


def _add_bootstrap(
    numbers: Estimates,
    subject: tuple[str, ...],
    model: LimbModel,
    found: LimbFit,
    plan: Mapping[str, Any],
) -> None:
    """Add percentile intervals of the limb difference and its variation between athletes."""
    level, refits = float(plan["confidence_level"]), int(plan["mixed"]["check_refits"])
    drawn = parametric_bootstrap(found.fit, refits, int(plan["seed"]))
    limits = dict(zip(drawn.names, drawn.percentile_intervals(level), strict=True))
    shared: EstimateFields = {"ci_level": level, "ci_type": PERCENTILES}
    shared["note"] = f"{refits} refits, {drawn.failed} without convergence left out"
    low, high = limits["fixed", INVOLVED]
    value = found.difference.estimate
    fields: EstimateFields = {**shared, "unit": str(model.rows["unit"].iloc[0])}
    quantity = "mean_difference"
    if model.on_log_scale:
        low, high, value = (math.exp(x) for x in (low, high, value))
        quantity, fields["unit"] = "ratio", "ratio"
    fields |= {"ci_low": float(low), "ci_high": float(high)}
    numbers.add(subject, (INVOLVED, "bootstrap"), quantity, value, **fields)
    if not found.with_slope:
        return
    low, high = limits["athlete", f"sd {INVOLVED}"]
    fields = {**shared, "unit": "log scale" if model.on_log_scale else fields["unit"]}
    fields |= {"ci_low": float(low), "ci_high": float(high)}
    deviation = float(found.fit.component("athlete").standard_deviations[1])
    numbers.add(
        subject, ("bootstrap", "athlete", INVOLVED), "standard_deviation", deviation, **fields
    )


def _is_of(predictors: list[dict[str, Any]], levels: tuple[str, ...]) -> bool:
    keys = ((p["metric"], p["sensor"], p["task"], str(p.get("landing", 1))) for p in predictors)
    return levels in set(keys)


def check_model(
    levels: tuple[str, ...], rows: pd.DataFrame, plan: Mapping[str, Any], clearance_visit: str
) -> Estimates:
    """Return the checks of one limb model."""
    metric, sensor, task, landing = levels
    subject = (metric, sensor, task, *landing_words(landing))
    level = float(plan["confidence_level"])
    on_log_scale = metric in plan["mixed"]["log_scale"]
    try:
        model = limb_model(rows, plan["cox"]["covariates"], clearance_visit, on_log_scale)
        found = fit_limb_model(model, plan["mixed"]["degrees_of_freedom"], level)
    except ModelRefusedError as error:
        refused = Estimates(ANALYSIS, metric=metric, sensor=sensor, task=task)
        refused.not_run(subject, str(error))
        return refused
    shared = limb_conventions(levels, model)
    shared |= {"family": "descriptive", "estimation": "REML"}
    shared |= {"converged": found.fit.converged, "singular": found.fit.singular}
    numbers = Estimates(ANALYSIS, **shared)
    plain = refit(found.fit, "ML")
    _add_tests(numbers, subject, model, found, plain)
    _add_by_limb(numbers, subject, model, found, level)
    _add_other_degrees_of_freedom(numbers, subject, model, found, level)
    add_diagnostics(numbers, subject, model, found)
    if _is_of([*plan["primary"], *plan["exploratory"]], levels):
        _add_profiles(numbers, subject, model, plain, level)
    if _is_of(plan["primary"], levels) and plan["mixed"]["check_refits"] > 1:
        _add_bootstrap(numbers, subject, model, found, plan)
    return numbers


def limb_checks(
    *, metrics: Path, cohort: Path, estimates: Path, plan: dict[str, Any], study: dict[str, Any]
) -> None:
    """Write the checks of the limb models. Outcomes play no part."""
    rows = limb_rows(read_table(metrics), read_table(cohort), plan)
    found = [
        check_model(levels, part, plan, study["clearance_visit"])
        for levels, part in grouped(rows, KEYS)
    ]
    if not found:
        nothing = Estimates(ANALYSIS)
        nothing.not_run("all", "no limb has a valid value of a metric of the plan")
        found.append(nothing)
    write_estimates(estimates, *found, step=STEP, inputs={"metrics": metrics, "cohort": cohort})
