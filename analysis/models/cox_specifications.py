"""The primary models under one other choice at a time: events, time, adjustment, time scale.

Hazard ratios are per standard deviation among the athletes of the primary model throughout, so
that a row differs from the primary one by its choice and not by its unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.analysis_set import SECOND_INJURIES, events_of
from analysis.cohort.outcomes import CAUSES
from analysis.estimates import EstimateFields, Estimates
from analysis.models.choices import SPECIFICATIONS, adjustment_sets, horizon_name
from analysis.models.cox_design import CoxDesign, cox_design
from analysis.models.cox_fit import CoxEstimate, estimate_cox
from analysis.models.cox_rows import add_hazard_ratio, conventions, term_fields
from analysis.models.term_inference import TermInference, wald
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import CoxSample, cox_sample
from analysis.survival.episodes import Episodes, split_follow_up
from analysis.survival.errors import SurvivalDataError
from analysis.survival.linear import ChiSquareTest

NO_NEGATIVE_CONTROL = "the plan names no negative-control outcome"


@dataclass(frozen=True)
class Specification:
    """Rows and plan under one other choice, and what the choice did.

    `name` stands in addresses; `refusal` says why the choice cannot be tried, '' if it can.
    """

    name: str
    cohort: pd.DataFrame
    plan: Mapping[str, Any]
    note: str
    refusal: str = ""


def _without_contact(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> Iterator[Specification]:
    if not plan["sensitivity"]["specifications"]["without_contact_injuries"]:
        return
    injured = events_of(cohort, SECOND_INJURIES)
    contact = injured & (cohort["contact"] == "yes").to_numpy()
    unknown = int((injured & (cohort["contact"] == "").to_numpy()).sum())
    yield Specification(
        "without_contact_injuries",
        cohort.assign(cause=cohort["cause"].where(~contact, 0)),
        plan,
        f"{contact.sum()} contact injuries of the cohort censor; {unknown} of unknown kind count",
        "" if contact.any() else "no second injury is recorded as a contact injury",
    )


def _without_first_days(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> Iterator[Specification]:
    days = plan["sensitivity"]["specifications"]["without_first_days"]
    if days is None:
        return
    # Risk sets after that day do not depend on what came before it: leaving out is late entry.
    kept = cohort.loc[~(cohort["followup_days"] <= days)].reset_index(drop=True)
    left_out = len(cohort) - len(kept)
    yield Specification(
        "without_first_days",
        kept,
        plan,
        f"time at risk begins {days:g} days after clearance; {left_out} athletes whose "
        "observation ended before are left out",
        "" if left_out else f"no observation ended within {days:g} days",
    )


def _horizons(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> Iterator[Specification]:
    for days in plan["sensitivity"]["specifications"]["horizons_days"]:
        later = cohort["followup_days"] > days
        yield Specification(
            horizon_name(days),
            cohort.assign(
                followup_days=cohort["followup_days"].clip(upper=days),
                cause=cohort["cause"].where(~later, 0),
            ),
            {**plan, "horizon_days": float(days)},
            f"observation ends at {days:g} days",
        )


def _adjustments(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> Iterator[Specification]:
    for name, covariates in adjustment_sets(plan).items():
        labels = ", ".join(item["label"] for item in covariates) or "nothing"
        adjusted = {**plan, "cox": {**plan["cox"], "covariates": covariates}}
        yield Specification(name, cohort, adjusted, f"adjusted for {labels}")


def _on_exposures(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> Iterator[Specification]:
    if not plan["sensitivity"]["specifications"]["on_athlete_exposures"]:
        return
    known = cohort["athlete_exposures"] > 0
    yield Specification(
        "athlete_exposures",
        cohort.assign(followup_days=cohort["athlete_exposures"].where(known)),
        plan,
        "time at risk is counted in athlete-exposures since clearance, not in days; athletes "
        "without a log, or with none before the end of observation, are left out",
        "" if known.any() else "no exposure was recorded",
    )


def _negative_control(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> Iterator[Specification]:
    label = plan["sensitivity"]["specifications"]["negative_control"]
    if not label:
        yield Specification("negative_control", cohort, plan, "", NO_NEGATIVE_CONTROL)
        return
    days = cohort["negative_control_days"]
    event = SECOND_INJURIES[0]
    # The control stands in the place of the outcome, under the number of one of its causes.
    in_place = {name: {**item, "events": [event]} for name, item in plan["outcomes"].items()}
    yield Specification(
        "negative_control",
        cohort.assign(
            followup_days=cohort["followup_days"].where(days.isna(), days),
            cause=np.where(days.notna(), CAUSES[event], 0),
        ),
        {**plan, "outcomes": in_place},
        f"the event is {label}, every end of observation censors; a hazard ratio away from one "
        "points to confounding or bias",
        "" if days.notna().any() else f"the study records no {label} under observation",
    )


def specifications(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> list[Specification]:
    """Return the other choices of the plan, in the order of the report."""
    makers = (
        _without_contact,
        _without_first_days,
        _horizons,
        _adjustments,
        _on_exposures,
        _negative_control,
    )
    return [specification for maker in makers for specification in maker(cohort, plan)]


def per_step(found: TermInference, factor: float) -> TermInference:
    """Return an inference on the log scale for a step that is `factor` times as large."""
    return replace(
        found,
        coefficient=found.coefficient * factor,
        se=found.se * factor,
        low=found.low * factor,
        high=found.high * factor,
    )


def too_few(events: int, coefficients: int, plan: Mapping[str, Any]) -> str:
    """Return why a model is not tried with these events, '' when they suffice."""
    least = plan["sensitivity"]["specifications"]["least_events_per_coefficient"]
    if events >= least * coefficients:
        return ""
    return (
        f"events: {events}, coefficients: {coefficients}; planned for at least {least:g} events "
        "per coefficient"
    )


def _add_specification(
    numbers: Estimates, outcome: str, primary: CoxDesign, chosen: Specification
) -> None:
    """Add the hazard ratios of the primary predictors under one choice, or why there are none."""
    plan = chosen.plan
    reason, design, estimate = chosen.refusal, None, None
    if not reason:
        try:
            events = plan["outcomes"][outcome]["events"]
            design = cox_design(chosen.cohort, plan["primary"], plan, events)
            reason = too_few(design.n_events, len(design.terms), plan)
            estimate = None if reason else estimate_cox(design, plan)
        except SurvivalDataError as error:
            reason = str(error)
    if reason or design is None or estimate is None:
        size = {} if design is None else {"n_events": design.n_events}
        numbers.not_run((outcome, chosen.name), reason, outcome=outcome, **size)
        return
    shared = conventions(plan, design, estimate, outcome)
    scales = {term.name: term.scale for term in primary.terms}
    for term, found in zip(design.terms, estimate.terms, strict=True):
        if term.is_predictor:
            note = "; ".join(filter(None, (chosen.note, estimate.note_of(term.name))))
            fields: EstimateFields = {**shared, "note": note}
            found = per_step(found, scales[term.name] / term.scale)
            add_hazard_ratio(numbers, outcome, (chosen.name, term.name), term, found, fields)


# A hazard ratio for each of two periods


def _sample_of_periods(
    design: CoxDesign, episodes: Episodes, position: int
) -> tuple[CoxSample, tuple[int, int]]:
    """Return the split rows with one column per period for the term at `position`, both last."""
    matrix: NDArray[np.float64] = design.matrix[episodes.rows]
    late = (episodes.period == 1).astype(float)
    own = matrix[:, position]
    others = np.delete(matrix, position, axis=1)
    names = [name for place, name in enumerate(design.names) if place != position]
    sample = cox_sample(
        np.column_stack([others, own * (1 - late), own * late]),
        episodes.stop,
        episodes.event,
        start=episodes.start,
        strata=design.strata[episodes.rows],
        names=[*names, "first period", "second period"],
    )
    in_second = int((episodes.event & (episodes.period == 1)).sum())
    return sample, (design.n_events - in_second, in_second)


def _add_periods(
    numbers: Estimates,
    outcome: str,
    design: CoxDesign,
    estimate: CoxEstimate,
    plan: Mapping[str, Any],
) -> None:
    """Add the hazard ratio of each predictor before and after the cut, and whether they differ."""
    cut = plan["sensitivity"]["specifications"]["periods_cut_day"]
    if cut is None:
        return
    episodes = split_follow_up(design.time, design.event, [cut])
    shared = conventions(plan, design, estimate, outcome)
    shared["estimation"] = "partial likelihood"
    for position, term in enumerate(design.terms[: design.n_predictors]):
        address = (outcome, "periods", term.name)
        try:
            sample, events = _sample_of_periods(design, episodes, position)
            # Each period has a coefficient of its own, and so needs events of its own.
            reason = too_few(design.n_events, len(sample.names), plan) or too_few(
                min(events), 1, plan
            )
            fit = None if reason else fit_cox(sample, ties=plan["cox"]["ties"])
        except SurvivalDataError as error:
            reason, fit = str(error), None
        if fit is not None and not fit.converged:
            reason = "no finite estimate: too few events in one of the periods"
        if reason or fit is None:
            numbers.not_run(address, reason, outcome=outcome)
            continue
        level = float(plan["confidence_level"])
        for place, (period, count) in enumerate(zip((1, 2), events, strict=True)):
            b, se = fit.coefficients[place - 2], fit.standard_errors[place - 2]
            side = "up to" if period == 1 else "after"
            fields: EstimateFields = {
                **shared,
                "n_events": count,
                "note": f"{side} day {cut:g}; the other terms have one coefficient throughout",
            }
            found = wald(float(b), float(se), level)
            add_hazard_ratio(numbers, outcome, (f"period_{period}", term.name), term, found, fields)
        test = ChiSquareTest.of(2 * (fit.log_likelihood - estimate.fit.log_likelihood), 1)
        numbers.add(
            outcome,
            ("periods", term.name),
            "equal_hazard_ratios_test",
            test.statistic,
            **{
                **shared,
                **term_fields(term),
                "unit": "chi-squared",
                "statistic": test.statistic,
                "statistic_kind": "chi-squared, likelihood ratio",
                "df": test.df,
                "df_method": "coefficients that differ",
                "p": test.p,
                "note": f"one hazard ratio before and another after day {cut:g}, against one",
            },
        )


def specification_numbers(
    cohort: pd.DataFrame,
    design: CoxDesign,
    estimate: CoxEstimate,
    plan: Mapping[str, Any],
    outcome: str,
) -> Estimates:
    """Return the primary hazard ratios of one outcome under every other choice of the plan."""
    numbers = Estimates(SPECIFICATIONS, family="secondary")
    for chosen in specifications(cohort, plan):
        _add_specification(numbers, outcome, design, chosen)
    _add_periods(numbers, outcome, design, estimate, plan)
    return numbers
