"""The model of one outcome, of complete cases or pooled over completed data sets.

Which of the two gives the primary estimates is named by the plan (`missing.primary`). Where filling
in was impossible, complete cases stand in its place, and every row says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analysis.estimates import EstimateFields
from analysis.imputation.pooling import Pooled, pool
from analysis.models.cox_design import CoxDesign, Term, cox_design
from analysis.models.cox_fit import Fitted, fit_outcome
from analysis.models.cox_rows import conventions
from analysis.models.filled_cohort import COMPLETE_CASES, FILLED_IN, NOTHING, FilledCohort
from analysis.models.term_inference import TermInference, pooled_t, undefined
from analysis.survival.errors import SurvivalDataError

Handling = Literal["imputed", "complete_cases"]

PRIMARY = "cox_primary"
"""Analysis with the primary estimates, by whichever handling the plan names."""

DF_METHOD = "Barnard-Rubin; complete data: athletes minus coefficients"
"""Where nothing is missing, the interval then is nearly the one of the complete cases.

Events minus coefficients was tried first: with six events it left one degree of freedom and
intervals without end, beside normal ones of the complete cases. In redrawn cohorts athletes minus
coefficients covers as it should at 23 events too (`tests.known_answers.imputation_cohorts`).
"""

NO_ESTIMATE = "no finite estimate in at least one completed data set"


@dataclass(frozen=True)
class OutcomeModel:
    """Fits of one outcome, and the inference on each term that they give together.

    Attributes
    ----------
    fits : the one of the complete cases, or one per completed data set, all in the same steps
    inferences : one per term
    pooled : one per term, None where a data set had no finite estimate; empty for complete cases
    fields : columns that say how missing values were handled
    note : why complete cases stand where filled-in values were planned, else ''
    """

    fits: tuple[Fitted, ...]
    inferences: tuple[TermInference, ...]
    pooled: tuple[Pooled | None, ...]
    fields: EstimateFields
    note: str = ""

    @property
    def design(self) -> CoxDesign:
        """Design of the first fit; names, steps, athletes and events are those of all."""
        return self.fits[0][0]

    @property
    def terms(self) -> tuple[Term, ...]:
        """Terms of the model."""
        return self.design.terms

    @property
    def complete_df(self) -> float:
        """Degrees of freedom that the estimates would have without gaps."""
        return float(len(self.design.rows) - len(self.terms))

    @property
    def cannot_be_corrected(self) -> str:
        """Why there is no estimate that a correction could start from; '' when there is."""
        return next((why for _, each in self.fits if (why := each.cannot_be_corrected)), "")

    def estimation_by(self, words: str) -> str:
        """Return how estimates were found, in words for one fit, and that they are pooled."""
        if not self.pooled:
            return words
        return f"{words}, pooled over {len(self.fits)} completed data sets (Rubin)"

    def shared_fields(self, plan: Mapping[str, Any], outcome: str) -> EstimateFields:
        """Return the columns that all rows of the model share."""
        fields = conventions(plan, *self.fits[0], outcome)
        fields.update(self.fields)
        if self.pooled:
            fields["estimation"] = self.estimation_by(self.fits[0][1].estimation)
            fields["converged"] = all(estimate.converged for _, estimate in self.fits)
        return fields

    def term_row(self, place: int) -> EstimateFields:
        """Return the columns of one term: note, degrees of freedom, missing information."""
        if not self.pooled:
            own = self.fits[0][1].note_of(self.terms[place].name)
            return {"note": "; ".join(words for words in (own, self.note) if words)}
        return pooled_fields(self.pooled[place])


def pooled_fields(found: Pooled | None) -> EstimateFields:
    """Return the columns that pooling adds to a row."""
    if found is None:
        return {"note": NO_ESTIMATE}
    return {
        "df": found.df,
        "df_method": DF_METHOD,
        "missing_information": found.fraction_of_missing_information,
    }


def pooled_inference(found: Pooled | None, level: float) -> TermInference:
    """Return interval and test of a pooled coefficient by its degrees of freedom."""
    if found is None:
        return undefined(level)
    return pooled_t(found.estimate, found.standard_error, found.df, level)


def pool_terms(
    coefficients: Sequence[ArrayLike], errors: Sequence[ArrayLike], complete_df: float
) -> tuple[Pooled | None, ...]:
    """Pool each coefficient over fits in the same steps; None where one of them is not finite.

    Parameters
    ----------
    coefficients, errors
        (fits, terms) estimates and standard errors.
    """
    found: list[Pooled | None] = []
    for values, spread in zip(np.array(coefficients).T, np.array(errors).T, strict=True):
        known = np.isfinite(values).all() and np.isfinite(spread).all()
        found.append(pool(values, spread**2, complete_df) if known else None)
    return tuple(found)


def complete_case_model(
    cohort: pd.DataFrame,
    predictors: Sequence[dict[str, Any]],
    plan: Mapping[str, Any],
    outcome: str,
    label: str = "",
    note: str = "",
    words: str = COMPLETE_CASES,
) -> OutcomeModel:
    """Return the model of the athletes who have all its predictors and covariates.

    Raises
    ------
    SurvivalDataError
        The complete cases cannot carry the model.
    """
    design, estimate = fit_outcome(cohort, predictors, plan, outcome, label)
    fields: EstimateFields = {"missing_data": words}
    return OutcomeModel(((design, estimate),), estimate.terms, (), fields, note)


def pooled_model(
    cohorts: Sequence[pd.DataFrame],
    filled: FilledCohort,
    plan: Mapping[str, Any],
    outcome: str,
) -> OutcomeModel:
    """Fit the primary predictors of the plan to every completed cohort and pool.

    A predictor's step is its SD among the complete cases, under either handling.

    Parameters
    ----------
    cohorts
        Completed data sets of `filled`, as drawn or shifted.

    Raises
    ------
    SurvivalDataError
        A completed cohort cannot carry the model, or has other terms than the complete cases.
    """
    predictors, events = plan["primary"], plan["outcomes"][outcome]["events"]
    reference = cox_design(filled.measured, predictors, plan, events)
    scales = {term.name: term.scale for term in reference.terms[: reference.n_predictors]}
    fits = tuple(
        fit_outcome(cohort, predictors, plan, outcome, scales=scales) for cohort in cohorts
    )
    design = fits[0][0]
    if design.names != reference.names:
        raise SurvivalDataError(
            f"{outcome}: the complete cases have the terms {', '.join(reference.names)}, the "
            f"completed data {', '.join(design.names)}: a category occurs among incomplete "
            "athletes only"
        )
    left = len(design.rows) - len(design.terms)
    if left < 1:
        raise SurvivalDataError(
            f"{outcome}: {len(design.rows)} athletes for {len(design.terms)} coefficients leave "
            "no degrees of freedom to pool with"
        )
    level = float(plan["confidence_level"])
    pooled = pool_terms(
        [[term.coefficient for term in estimate.terms] for _, estimate in fits],
        [[term.se for term in estimate.terms] for _, estimate in fits],
        float(left),
    )
    inferences = tuple(pooled_inference(found, level) for found in pooled)
    fields: EstimateFields = {
        "missing_data": FILLED_IN,
        "data_sets": len(fits),
        **filled.counts(design.rows),
    }
    return OutcomeModel(fits, inferences, pooled, fields)


def primary_model(filled: FilledCohort, plan: Mapping[str, Any], outcome: str) -> OutcomeModel:
    """Return the model of an outcome by the handling of missing values that the plan names.

    Complete cases stand in where filling in is impossible; they are named as such.

    Raises
    ------
    SurvivalDataError
        The rows cannot carry the model.
    """
    measured, predictors = filled.measured, plan["primary"]
    if not filled.has_gaps:
        return complete_case_model(measured, predictors, plan, outcome, words=NOTHING)
    if plan["missing"]["primary"] == "complete_cases":
        return complete_case_model(measured, predictors, plan, outcome)
    try:
        return _imputed_model(filled, plan, outcome)
    except SurvivalDataError as error:
        note = f"complete cases, because missing values could not be filled in: {error}"
        return complete_case_model(measured, predictors, plan, outcome, note=note)


def _imputed_model(filled: FilledCohort, plan: Mapping[str, Any], outcome: str) -> OutcomeModel:
    if filled.reason:
        raise SurvivalDataError(filled.reason)
    return pooled_model(list(filled.completed()), filled, plan, outcome)


def other_handling(plan: Mapping[str, Any]) -> Handling:
    """Return the handling that is the sensitivity analysis."""
    return "complete_cases" if plan["missing"]["primary"] == "imputed" else "imputed"


def analysis_of(handling: Handling, plan: Mapping[str, Any]) -> str:
    """Return the analysis that holds the hazard ratios of a handling."""
    return PRIMARY if plan["missing"]["primary"] == handling else f"cox_{handling}"


def sensitivity_model(filled: FilledCohort, plan: Mapping[str, Any], outcome: str) -> OutcomeModel:
    """Return the model of an outcome by the handling that is not the primary one.

    Raises
    ------
    SurvivalDataError
        There is nothing to fill in, filling in is impossible, or the rows cannot carry the model.
    """
    if filled.reason:
        raise SurvivalDataError(filled.reason)
    if other_handling(plan) == "imputed":
        return _imputed_model(filled, plan, outcome)
    return complete_case_model(filled.measured, plan["primary"], plan, outcome)
