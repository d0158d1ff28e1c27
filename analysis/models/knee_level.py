"""Both knees of each athlete: does a knee's own landing metric go along with its own injury?

Two rows per athlete, one per knee, with the metric of that limb; the injury of the other knee
censors. Each kind of knee has its own baseline hazard, its coefficients are shared (Wei, Lin &
Weissfeld 1989, JASA 84:1065), and the variance counts an athlete's two knees as one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import SECOND_INJURIES
from analysis.cohort.outcomes import CAUSES
from analysis.cohort.predictors import predictor_columns
from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign, cox_design
from analysis.models.cox_fit import sample_of
from analysis.models.cox_rows import add_hazard_ratio
from analysis.models.events_needed import too_few
from analysis.models.filled_cohort import COMPLETE_CASES
from analysis.models.term_inference import wald
from analysis.survival.cox import CoxFit, fit_cox
from analysis.survival.cox_sample import CoxSample
from analysis.survival.errors import SurvivalDataError
from analysis.survival.frailty import fit_gamma_frailty, frailty_variance_interval

ANALYSIS = "knee_level"
FRAILTY = "knee_level_frailty"
ANALYSES = (ANALYSIS, FRAILTY)

KNEE = "knee"
OUTCOME = "injury_of_this_knee"


def knee_rows(
    cohort: pd.DataFrame,
    summaries: pd.DataFrame,
    plan: Mapping[str, Any],
    *,
    visit: str,
    minimum_valid_trials: int,
) -> pd.DataFrame:
    """Return two rows per athlete with one reconstructed knee: involved, then uninvolved.

    `cause` is that of this knee's injury, 0 for every other end. Metrics of both limbs together
    are the same in both rows; the others are those of the knee's own limb.
    """
    one_knee = cohort.loc[cohort["injured_side"] != "both"].reset_index(drop=True)
    own = [item for item in plan["primary"] if item["limb"] == "involved"]
    other = predictor_columns(
        summaries,
        [{**item, "limb": "uninvolved"} for item in own],
        one_knee["athlete_id"],
        visit=visit,
        minimum_valid_trials=minimum_valid_trials,
    )
    parts = []
    for knee, injury in zip(("involved", "uninvolved"), SECOND_INJURIES, strict=True):
        rows = one_knee.assign(knee=knee)
        rows["cause"] = rows["cause"].where(rows["cause"] == CAUSES[injury], 0)
        if knee == "uninvolved":
            names = [item["name"] for item in own]
            rows[names] = other[names].to_numpy()
        parts.append(rows)
    return pd.concat(parts, ignore_index=True)


def _fields(design: CoxDesign, plan: Mapping[str, Any]) -> EstimateFields:
    strata = " x ".join([*plan["cox"]["strata"], KNEE])
    return {
        "model": f"Cox on knees, strata {strata}",
        "outcome": OUTCOME,
        "family": "secondary",
        "n_athletes": design.rows["athlete_id"].nunique(),
        "n_events": design.n_events,
        "rows_dropped": design.dropped,
        "missing_data": COMPLETE_CASES,
        "ties": plan["cox"]["ties"],
        "horizon_days": float(plan["horizon_days"]),
        "censoring": "every other end of the athlete's observation censors both knees; rows are "
        "knees, and rows_dropped counts knees without a metric",
    }


def _add_clustered(
    numbers: Estimates, design: CoxDesign, fit: CoxFit, plan: Mapping[str, Any]
) -> None:
    level = float(plan["confidence_level"])
    errors = fit.robust_standard_errors
    for place, term in enumerate(design.terms[: design.n_predictors]):
        fields: EstimateFields = {
            "estimation": "partial likelihood, variance clustered by athlete (Lin & Wei 1989)",
            "converged": fit.converged,
            "note": f"metric of the knee's own limb where it has one; {fit.n} knees",
        }
        found = wald(float(fit.coefficients[place]), float(errors[place]), level)
        add_hazard_ratio(numbers, OUTCOME, (term.name,), term, found, fields)
        own = float(fit.standard_errors[place])
        fields["unit"] = "ratio"
        fields["note"] = "clustered over model-based standard error: what the pairing changes"
        ratio = float(errors[place]) / own
        numbers.add(OUTCOME, term.name, "ratio_of_standard_errors", ratio, **fields)


def add_frailty(
    numbers: Estimates,
    subject: str,
    design: CoxDesign,
    groups: pd.Series,
    plan: Mapping[str, Any],
    note: str,
) -> None:
    """Add a model in which the rows of a group share a gamma frailty, or why there is none."""
    least = plan["sensitivity"]["frailty_least_groups"]
    if groups.nunique() < least:
        reason = (
            f"{groups.nunique()} groups say next to nothing about a variance between them; "
            f"planned for at least {least}"
        )
        numbers.not_run(subject, reason)
        return
    sample: CoxSample = sample_of(design)
    try:
        fit = fit_gamma_frailty(sample, groups.to_numpy(), ties=plan["cox"]["ties"])
    except SurvivalDataError as error:
        numbers.not_run(subject, str(error))
        return
    shared: EstimateFields = {
        "estimation": "integrated likelihood, gamma frailty",
        "converged": fit.converged,
        "singular": fit.singular,
        "note": note,
    }
    level = float(plan["confidence_level"])
    for place, term in enumerate(design.terms[: design.n_predictors]):
        b, se = float(fit.coefficients[place]), float(fit.standard_errors[place])
        add_hazard_ratio(numbers, subject, (term.name,), term, wald(b, se, level), shared)
    test = fit.frailty_test
    low, high = frailty_variance_interval(sample, groups.to_numpy(), fit, level=level)
    numbers.add(
        subject,
        "all",
        "frailty_variance",
        fit.theta,
        unit="variance of the factor",
        statistic=test.statistic,
        statistic_kind="chi-squared, likelihood ratio at a boundary",
        df=test.df,
        p=test.p,
        ci_low=low,
        ci_high=high if math.isfinite(high) else math.nan,
        ci_level=level,
        ci_type="profile likelihood",
        **shared,
    )


def knee_numbers(knees: pd.DataFrame, plan: Mapping[str, Any]) -> list[Estimates]:
    """Return the models of knees: with clustered variance, and with a frailty of the athlete."""
    cox = plan["cox"]
    of_knees = {**plan, "cox": {**cox, "strata": [*cox["strata"], KNEE]}}
    try:
        design = cox_design(knees, plan["primary"], of_knees, SECOND_INJURIES)
        reason = too_few(design.n_events, len(design.terms), plan)
        cluster = design.rows["athlete_id"].to_numpy()
        fit = None if reason else fit_cox(sample_of(design), ties=cox["ties"], cluster=cluster)
    except SurvivalDataError as error:
        reason, fit = str(error), None
    if fit is not None and not fit.converged:
        reason = f"no finite estimate: the likelihood rises for ever ({', '.join(fit.diverging)})"
    if reason or fit is None:
        refused = [Estimates(analysis, family="secondary") for analysis in ANALYSES]
        for numbers in refused:
            numbers.not_run(OUTCOME, reason)
        return refused
    shared = _fields(design, plan)
    clustered, shared_factor = (Estimates(analysis, **shared) for analysis in ANALYSES)
    _add_clustered(clustered, design, fit, plan)
    # Observation of both knees ends with the first injury: one event per athlete at most.
    pairs = int(design.rows["athlete_id"].duplicated().sum())
    note = (
        f"frailty of the athlete; {pairs} athletes have both knees in the model, none has two "
        "events, so its variance rests on the form of the hazards alone"
    )
    add_frailty(shared_factor, OUTCOME, design, design.rows["athlete_id"], plan, note)
    return [clustered, shared_factor]
