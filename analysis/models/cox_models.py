"""Step: cause-specific Cox models of the plan.

Primary: all primary predictors together, per primary outcome, missing and clipped values handled as
the plan says. Beside it, as a sensitivity analysis, the other handling. Secondary: the same model
for the other outcomes. Exploratory: one exploratory predictor at a time, complete cases: a metric
that a whole site cannot measure cannot be filled in there. Each is adjusted for the plan's
covariates and stratified as the plan says.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import reason_not_to_run
from analysis.estimates import EstimateFields, Estimates, refusals, write_estimates
from analysis.models.cox_design import Term
from analysis.models.cox_fit import FIRTH, estimate_firth
from analysis.models.cox_rows import add_hazard_ratio, add_size
from analysis.models.cox_second_opinion import library_numbers
from analysis.models.filled_cohort import FILLED_IN, FilledCohort, read_filled_cohort
from analysis.models.multiplicity import holm
from analysis.models.outcome_model import (
    PRIMARY,
    OutcomeModel,
    analysis_of,
    complete_case_model,
    other_handling,
    pool_terms,
    pooled_fields,
    pooled_inference,
    primary_model,
    sensitivity_model,
)
from analysis.models.proportionality import add_proportionality
from analysis.models.term_inference import TermInference
from analysis.survival.errors import SurvivalDataError
from analysis.survival.firth import firth_point

STEP = "analysis.models.cox_models:cox_models"

ANALYSES = (PRIMARY, "cox_secondary", "cox_exploratory", "cox_firth", "cox_second_opinion")


def family_p_values(
    terms: Mapping[str, Sequence[tuple[Term, TermInference]]], method: str, planned: int
) -> dict[tuple[str, str], float]:
    """Return the adjusted p-value of each (outcome, predictor) of a family of models.

    The family keeps its planned size: a model that was refused, or a coefficient without finite
    estimate, has no p-value but still counts, so that a failed test never eases the others.
    """
    if method != "holm":
        raise ValueError(f"no adjustment {method!r}")
    tests = {
        (outcome, term.name): found.p
        for outcome, inferences in terms.items()
        for term, found in inferences
        if term.is_predictor and found.is_finite
    }
    missing = [1.0] * (planned - len(tests))
    return dict(zip(tests, holm([*tests.values(), *missing]).tolist()[: len(tests)], strict=True))


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
            extra["adjustment"] = f"{plan['multiplicity']}, primary predictors x outcomes"
        add_hazard_ratio(numbers, outcome, model.design.address(term.name), term, found, extra)
    add_size(numbers, outcome, model.design, plan["confidence_level"])
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
    tests = {
        outcome: list(zip(model.terms, model.inferences, strict=True))
        for outcome, model in models.items()
    }
    planned = len(outcomes) * len(plan["primary"])
    adjusted = family_p_values(tests, plan["multiplicity"], planned) if family == "primary" else {}
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
    """Return the numbers of the exploratory models: one predictor at a time, every outcome."""
    analysis = "cox_exploratory"
    refused = Estimates(analysis, family="exploratory")
    found = [refused]
    for predictor in plan["exploratory"]:
        name = predictor["name"]
        for outcome in plan["outcomes"]:
            try:
                model = complete_case_model(cohort, [predictor], plan, outcome, name)
            except SurvivalDataError as error:
                refused.not_run((outcome, name), str(error), outcome=outcome)
                continue
            found.append(model_numbers(analysis, "exploratory", model, plan, outcome, {}))
    return found


def firth_numbers(model: OutcomeModel, plan: Mapping[str, Any], outcome: str) -> Estimates:
    """Return the model fitted with Firth's penalty, pooled if the model is.

    With few events per parameter the penalised estimates are the ones to trust more.
    """
    ties, level = plan["cox"]["ties"], float(plan["confidence_level"])
    shared = model.shared_fields(plan, outcome)
    shared["family"] = "secondary"
    shared["estimation"] = shared["estimation"].replace(model.fits[0][1].estimation, FIRTH)
    rows: list[tuple[TermInference, EstimateFields]]
    if model.pooled:
        points = [firth_point(estimate.sample, ties=ties) for _, estimate in model.fits]
        shared["converged"] = all(point.converged for point in points)
        pooled = pool_terms(
            [point.coefficients for point in points],
            [point.standard_errors for point in points],
            model.complete_df,
        )
        note = "a profile has no pooled form: the interval rests on the curvature at the estimate"
        rows = [
            (pooled_inference(found, level), {"note": note, **pooled_fields(found)})
            for found in pooled
        ]
    else:
        penalised = estimate_firth(model.design, ties, level)
        shared["converged"] = penalised.converged
        rows = [(found, {"note": model.note}) for found in penalised.terms]
    numbers = Estimates("cox_firth", **shared)
    for term, (found, extra) in zip(model.terms, rows, strict=True):
        add_hazard_ratio(numbers, outcome, (term.name,), term, found, extra)
    return numbers


def second_opinions(filled: FilledCohort, plan: Mapping[str, Any]) -> list[Estimates]:
    """Return the primary models with Firth's penalty, and single fits repeated by a library.

    The library fits the complete cases and, where gaps were filled in, the first completed data
    set: pooling is ours alone, and is tested against published numbers.
    """
    found: list[Estimates] = []
    for outcome in plan["primary_outcomes"]:
        try:
            model = primary_model(filled, plan, outcome)
            found.append(firth_numbers(model, plan, outcome))
        except SurvivalDataError as error:
            found += refusals(["cox_firth"], outcome, str(error), family="secondary")
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
