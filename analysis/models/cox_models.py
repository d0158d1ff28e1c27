"""Step: cause-specific Cox models of the plan.

Primary: all primary predictors together, per primary outcome. Secondary: the same model for the
other outcomes. Exploratory: one exploratory predictor at a time. Each is adjusted for the plan's
covariates and stratified as the plan says.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import landmark_rows, reason_not_to_run
from analysis.estimates import EstimateFields, Estimates, refusals, write_estimates
from analysis.labels import words
from analysis.models import cox_penalised
from analysis.models.cox_design import CoxDesign, cox_design
from analysis.models.cox_fit import CoxEstimate, estimate_cox
from analysis.models.cox_rows import add_hazard_ratio, add_size, conventions
from analysis.models.cox_second_opinion import library_numbers
from analysis.models.multiplicity import ADJUSTMENTS
from analysis.models.proportionality import add_proportionality
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.cox_models:cox_models"

ANALYSES = (
    "cox_primary",
    "cox_secondary",
    "cox_exploratory",
    *cox_penalised.ANALYSES,
    "cox_second_opinion",
)

Fitted = tuple[CoxDesign, CoxEstimate]


def fit_outcome(
    cohort: pd.DataFrame,
    predictors: Sequence[dict[str, Any]],
    plan: Mapping[str, Any],
    outcome: str,
    label: str = "",
) -> Fitted:
    """Fit the model of one outcome to the athletes of the landmark cohort.

    `label` names the model in addresses when an outcome has several models.

    Raises
    ------
    SurvivalDataError
        The rows cannot carry the model (no event, constant or collinear column).
    """
    events = plan["outcomes"][outcome]["events"]
    design = cox_design(cohort, predictors, plan, events, label)
    return design, estimate_cox(design, plan)


def family_p_values(
    fits: Iterable[tuple[str, Fitted]], method: str, planned: int
) -> dict[tuple[str, str], float]:
    """Return the adjusted p-value of each (outcome, predictor) of a family of outcomes' models.

    The family keeps its planned size: a model that was refused, or a coefficient without finite
    estimate, has no p-value but still counts, so that a failed test never eases the others.
    """
    if method not in ADJUSTMENTS:
        raise ValueError(f"no adjustment {method!r}")
    tests = {
        (outcome, term.name): found.p
        for outcome, (design, estimate) in fits
        for term, found in zip(design.terms, estimate.terms, strict=True)
        if term.is_predictor and found.is_finite
    }
    missing = [1.0] * (planned - len(tests))
    adjusted = ADJUSTMENTS[method]([*tests.values(), *missing])
    return dict(zip(tests, adjusted.tolist()[: len(tests)], strict=True))


def model_numbers(
    analysis: str,
    family: str,
    fitted: Fitted,
    plan: Mapping[str, Any],
    outcome: str,
    adjusted: Mapping[tuple[str, str], float],
) -> Estimates:
    """Return all numbers of one model; `adjusted` holds p-values adjusted within the family."""
    design, estimate = fitted
    shared = conventions(plan, design, estimate, outcome)
    shared["family"] = family
    numbers = Estimates(analysis, **shared)
    for term, found in zip(design.terms, estimate.terms, strict=True):
        extra: EstimateFields = {"note": estimate.note_of(term.name)}
        if not term.is_predictor:
            extra["family"] = "descriptive"
        if (outcome, term.name) in adjusted:
            extra["p_adjusted"] = adjusted[outcome, term.name]
            method = plan["multiplicity" if family == "primary" else "multiplicity_exploratory"]
            extra["adjustment"] = f"{words(method)}, {family} predictors x outcomes"
        add_hazard_ratio(numbers, outcome, design.address(term.name), term, found, extra)
    add_size(numbers, outcome, design, plan)
    add_proportionality(numbers, outcome, design, estimate)
    return numbers


def joint_models(
    cohort: pd.DataFrame,
    plan: Mapping[str, Any],
    analysis: str,
    family: str,
    outcomes: Sequence[str],
) -> list[Estimates]:
    """Return the numbers of the models with all primary predictors, one per outcome.

    The p-values of the primary family are adjusted over its predictors and outcomes.
    """
    fits: dict[str, Fitted] = {}
    refused = Estimates(analysis, family=family)
    for outcome in outcomes:
        try:
            fits[outcome] = fit_outcome(cohort, plan["primary"], plan, outcome)
        except SurvivalDataError as error:
            refused.not_run(outcome, str(error), outcome=outcome)
    planned = len(outcomes) * len(plan["primary"])
    adjusted = (
        family_p_values(fits.items(), plan["multiplicity"], planned) if family == "primary" else {}
    )
    return [
        refused,
        *(
            model_numbers(analysis, family, fitted, plan, outcome, adjusted)
            for outcome, fitted in fits.items()
        ),
    ]


def single_models(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> list[Estimates]:
    """Return the numbers of the exploratory models: one predictor at a time, every outcome.

    Their p-values are adjusted over predictors and outcomes.
    """
    analysis, family = "cox_exploratory", "exploratory"
    refused = Estimates(analysis, family=family)
    fits: list[tuple[str, Fitted]] = []
    for predictor in plan["exploratory"]:
        name = predictor["name"]
        for outcome in plan["outcomes"]:
            try:
                fits.append((outcome, fit_outcome(cohort, [predictor], plan, outcome, name)))
            except SurvivalDataError as error:
                refused.not_run((outcome, name), str(error), outcome=outcome)
    planned = len(plan["exploratory"]) * len(plan["outcomes"])
    adjusted = family_p_values(fits, plan["multiplicity_exploratory"], planned)
    return [
        refused,
        *(
            model_numbers(analysis, family, fitted, plan, outcome, adjusted)
            for outcome, fitted in fits
        ),
    ]


def second_opinions(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> list[Estimates]:
    """Return the primary models once more: with penalties if the plan says so, and by a library."""
    found: list[Estimates] = []
    for outcome in plan["primary_outcomes"]:
        try:
            design, estimate = fit_outcome(cohort, plan["primary"], plan, outcome)
        except SurvivalDataError as error:
            opinions = (*cox_penalised.ANALYSES, "cox_second_opinion")
            found += refusals(opinions, outcome, str(error), family="secondary", outcome=outcome)
            continue
        shared = conventions(plan, design, estimate, outcome)
        shared["family"] = "secondary"
        found += cox_penalised.penalised_numbers(design, shared, plan, outcome)
        found.append(library_numbers(design, estimate, plan, outcome))
    return found


def cox_models(
    *, cohort: Path, estimates: Path, plan: dict[str, Any], freeze: dict[str, Any]
) -> None:
    """Write hazard ratios, tests of proportional hazards and what the events can carry."""
    rows = landmark_rows(read_table(cohort))
    found: list[Estimates] = []
    if reason := reason_not_to_run(freeze):
        found += refusals(ANALYSES, "all", reason)
    else:
        primary = plan["primary_outcomes"]
        others = [outcome for outcome in plan["outcomes"] if outcome not in primary]
        found.extend(joint_models(rows, plan, "cox_primary", "primary", primary))
        found.extend(joint_models(rows, plan, "cox_secondary", "secondary", others))
        found.extend(single_models(rows, plan))
        found.extend(second_opinions(rows, plan))
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort})
