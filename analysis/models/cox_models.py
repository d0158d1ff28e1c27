"""Step: cause-specific Cox models of the plan.

Primary: all primary predictors together, per primary outcome, missing and clipped values handled as
the plan says. Beside it, as a sensitivity analysis, the other handling. Secondary: the same model
for the other outcomes. Exploratory: one exploratory predictor at a time, complete cases: a metric
that a whole site cannot measure cannot be filled in there. Each is adjusted for the plan's
covariates and stratified as the plan says.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.estimates import Estimates, refusals, write_estimates
from analysis.labels import words
from analysis.models import cox_penalised
from analysis.models.cox_rows import add_hazard_ratio, add_size
from analysis.models.cox_second_opinion import library_numbers
from analysis.models.filled_cohort import FILLED_IN, FilledCohort, read_filled_cohort
from analysis.models.multiplicity import ADJUSTMENTS
from analysis.models.outcome_model import (
    PRIMARY,
    OutcomeModel,
    analysis_of,
    complete_case_model,
    other_handling,
    primary_model,
    sensitivity_model,
)
from analysis.models.proportionality import add_proportionality
from analysis.survival.errors import SurvivalDataError

STEP = "analysis.models.cox_models:cox_models"

ANALYSES = (
    PRIMARY,
    "cox_secondary",
    "cox_exploratory",
    *cox_penalised.ANALYSES,
    "cox_second_opinion",
)


def family_p_values(
    models: Iterable[tuple[str, OutcomeModel]], method: str, planned: int
) -> dict[tuple[str, str], float]:
    """Return the adjusted p-value of each (outcome, predictor) of a family of outcomes' models.

    The family keeps its planned size: a model that was refused, or a coefficient without finite
    estimate, has no p-value but still counts, so that a failed test never eases the others.
    """
    if method not in ADJUSTMENTS:
        raise ValueError(f"no adjustment {method!r}")
    tests = {
        (outcome, term.name): found.p
        for outcome, model in models
        for term, found in zip(model.terms, model.inferences, strict=True)
        if term.is_predictor and found.is_finite
    }
    missing = [1.0] * (planned - len(tests))
    adjusted = ADJUSTMENTS[method]([*tests.values(), *missing])
    return dict(zip(tests, adjusted.tolist()[: len(tests)], strict=True))


def model_numbers(
    analysis: str,
    family: str,
    model: OutcomeModel,
    plan: Mapping[str, Any],
    outcome: str,
    adjusted: Mapping[tuple[str, str], float],
) -> Estimates:
    """Return all numbers of one model; `adjusted` holds p-values adjusted within the family."""
    shared = model.shared_fields(plan, outcome)
    shared["family"] = family
    numbers = Estimates(analysis, **shared)
    for place, (term, found) in enumerate(zip(model.terms, model.inferences, strict=True)):
        extra = model.term_row(place)
        if not term.is_predictor:
            extra["family"] = "descriptive"
        if (outcome, term.name) in adjusted:
            extra["p_adjusted"] = adjusted[outcome, term.name]
            method = plan["multiplicity" if family == "primary" else "multiplicity_exploratory"]
            extra["adjustment"] = f"{words(method)}, {family} predictors x outcomes"
        add_hazard_ratio(numbers, outcome, model.design.address(term.name), term, found, extra)
    add_size(numbers, outcome, model.design, plan)
    add_proportionality(numbers, outcome, model)
    return numbers


def models_of(
    model_of: Callable[[str], OutcomeModel],
    plan: Mapping[str, Any],
    analysis: str,
    family: str,
    outcomes: Sequence[str],
) -> list[Estimates]:
    """Return the numbers of the models with all primary predictors, one per outcome.

    The p-values of the primary family are adjusted over its predictors and outcomes.

    Parameters
    ----------
    model_of
        Returns the model of an outcome, or raises `SurvivalDataError` with the reason.
    """
    models: dict[str, OutcomeModel] = {}
    refused = Estimates(analysis, family=family)
    for outcome in outcomes:
        try:
            models[outcome] = model_of(outcome)
        except SurvivalDataError as error:
            refused.not_run(outcome, str(error), outcome=outcome)
    planned = len(outcomes) * len(plan["primary"])
    adjusted = (
        family_p_values(models.items(), plan["multiplicity"], planned)
        if family == "primary"
        else {}
    )
    return [
        refused,
        *(
            model_numbers(analysis, family, model, plan, outcome, adjusted)
            for outcome, model in models.items()
        ),
    ]


def joint_models(
    cohort: pd.DataFrame,
    plan: Mapping[str, Any],
    analysis: str,
    family: str,
    outcomes: Sequence[str],
) -> list[Estimates]:
    """Return the numbers of the complete-case models with all primary predictors."""
    return models_of(
        lambda outcome: complete_case_model(cohort, plan["primary"], plan, outcome),
        plan,
        analysis,
        family,
        outcomes,
    )


def single_models(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> list[Estimates]:
    """Return the numbers of the exploratory models: one predictor at a time, every outcome.

    Their p-values are adjusted over predictors and outcomes.
    """
    analysis, family = "cox_exploratory", "exploratory"
    refused = Estimates(analysis, family=family)
    models: list[tuple[str, OutcomeModel]] = []
    for predictor in plan["exploratory"]:
        name = predictor["name"]
        for outcome in plan["outcomes"]:
            try:
                model = complete_case_model(cohort, [predictor], plan, outcome, name)
            except SurvivalDataError as error:
                refused.not_run((outcome, name), str(error), outcome=outcome)
                continue
            models.append((outcome, model))
    planned = len(plan["exploratory"]) * len(plan["outcomes"])
    adjusted = family_p_values(models, plan["multiplicity_exploratory"], planned)
    return [
        refused,
        *(
            model_numbers(analysis, family, model, plan, outcome, adjusted)
            for outcome, model in models
        ),
    ]


def second_opinions(filled: FilledCohort, plan: Mapping[str, Any]) -> list[Estimates]:
    """Return the primary models with penalties if the plan says so, and single fits by a library.

    The library fits the complete cases and, where gaps were filled in, the first completed data
    set: pooling is ours alone, and is tested against published numbers.
    """
    found: list[Estimates] = []
    for outcome in plan["primary_outcomes"]:
        try:
            found += cox_penalised.penalised_numbers(
                primary_model(filled, plan, outcome), plan, outcome
            )
        except SurvivalDataError as error:
            opinions = cox_penalised.ANALYSES
            found += refusals(opinions, outcome, str(error), family="secondary", outcome=outcome)
        try:
            complete = complete_case_model(filled.measured, plan["primary"], plan, outcome)
            found.append(library_numbers(complete, plan, outcome))
            if not filled.reason:
                first = next(filled.completed())
                model = complete_case_model(first, plan["primary"], plan, outcome, words=FILLED_IN)
                found.append(library_numbers(model, plan, outcome, "filled_in"))
        except SurvivalDataError as error:
            found += refusals(["cox_second_opinion"], outcome, str(error))
    return found


def cox_models(
    *,
    cohort: Path,
    filled: Path,
    imputation: Path,
    estimates: Path,
    plan: dict[str, Any],
    freeze: dict[str, Any],
) -> None:
    """Write hazard ratios, tests of proportional hazards and what the events can carry."""
    whole = read_filled_cohort(cohort, filled, imputation)
    other = analysis_of(other_handling(plan), plan)
    found: list[Estimates] = []
    if reason := reason_not_to_run(freeze):
        found += refusals([*ANALYSES, other], "all", reason)
    else:
        primary = plan["primary_outcomes"]
        others = [outcome for outcome in plan["outcomes"] if outcome not in primary]

        def planned(outcome: str) -> OutcomeModel:
            return primary_model(whole, plan, outcome)

        def beside(outcome: str) -> OutcomeModel:
            return sensitivity_model(whole, plan, outcome)

        found.extend(models_of(planned, plan, PRIMARY, "primary", primary))
        found.extend(models_of(beside, plan, other, "secondary", primary))
        found.extend(models_of(planned, plan, "cox_secondary", "secondary", others))
        found.extend(single_models(whole.measured, plan))
        found.extend(second_opinions(whole, plan))
    inputs = {"cohort": cohort, "filled": filled, "imputation": imputation}
    write_estimates(estimates, *found, step=STEP, inputs=inputs)
