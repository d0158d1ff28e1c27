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

from analysis.cohort.analysis_set import SECOND_INJURIES, events_of
from analysis.cohort.outcomes import CAUSES
from analysis.estimates import EstimateFields, Estimates
from analysis.models.choices import SPECIFICATIONS, adjustment_sets, horizon_name
from analysis.models.cox_periods import add_periods
from analysis.models.cox_rows import add_hazard_ratio
from analysis.models.events_needed import too_few
from analysis.models.filled_cohort import FilledCohort
from analysis.models.outcome_model import (
    OutcomeModel,
    primary_model,
)
from analysis.models.term_inference import TermInference
from analysis.survival.errors import SurvivalDataError

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


def _add_specification(
    numbers: Estimates,
    outcome: str,
    filled: FilledCohort,
    primary: OutcomeModel,
    chosen: Specification,
) -> None:
    """Add the hazard ratios of the primary predictors under one choice, or why there are none."""
    plan, reason, model = chosen.plan, chosen.refusal, None
    if not reason:
        try:
            model = primary_model(filled.with_rows(chosen.cohort), plan, outcome)
            reason = too_few(model.design.n_events, len(model.terms), plan)
        except SurvivalDataError as error:
            reason = str(error)
    if reason or model is None:
        size = {} if model is None else {"n_events": model.design.n_events}
        numbers.not_run((outcome, chosen.name), reason, outcome=outcome, **size)
        return
    shared = model.shared_fields(plan, outcome)
    scales = {term.name: term.scale for term in primary.terms}
    for place, (term, found) in enumerate(zip(model.terms, model.inferences, strict=True)):
        if term.is_predictor:
            own = model.term_row(place)
            note = "; ".join(filter(None, (chosen.note, str(own.get("note", "")))))
            fields: EstimateFields = {**shared, **own, "note": note}
            found = per_step(found, scales[term.name] / term.scale)
            add_hazard_ratio(numbers, outcome, (chosen.name, term.name), term, found, fields)


def specification_numbers(
    filled: FilledCohort, model: OutcomeModel, plan: Mapping[str, Any], outcome: str
) -> Estimates:
    """Return the primary hazard ratios of one outcome under every other choice of the plan.

    Gaps are handled as in the primary model: a row differs from it by its choice alone.
    """
    numbers = Estimates(SPECIFICATIONS, family="secondary")
    for chosen in specifications(filled.measured, plan):
        _add_specification(numbers, outcome, filled, model, chosen)
    add_periods(numbers, outcome, model, plan)
    return numbers
