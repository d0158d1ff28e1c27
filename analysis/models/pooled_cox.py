"""One Cox model fitted to several completed cohorts, its coefficients pooled by Rubin's rules."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from analysis.imputation.pooling import Pooled, pool
from analysis.models.cox_design import CoxDesign, Term
from analysis.models.cox_fit import CoxEstimate
from analysis.models.cox_models import fit_outcome
from analysis.models.term_inference import TermInference, pooled_t, undefined
from analysis.survival.errors import SurvivalDataError

DF_METHOD = "Barnard-Rubin; complete data: athletes minus coefficients"
"""Where nothing is missing, the interval then is nearly the one of the complete cases.

Events minus coefficients was tried first: with six events it left one degree of freedom and
intervals without end, beside normal ones of the complete cases. In redrawn cohorts athletes minus
coefficients covers as it should at 23 events too (`tests.known_answers.imputation_cohorts`).
"""


@dataclass(frozen=True)
class PooledCox:
    """A model pooled over completed data sets.

    Attributes
    ----------
    design, estimate : of the first data set; rows, events and names are those of all
    pooled : one per term, per step of the reference model; None where a data set had no finite
        estimate
    converged : every fit did
    """

    design: CoxDesign
    estimate: CoxEstimate
    pooled: tuple[Pooled | None, ...]
    converged: bool

    def inference(self, place: int, level: float) -> TermInference:
        """Return interval and test of one term by its pooled degrees of freedom."""
        found = self.pooled[place]
        if found is None:
            return undefined(level)
        return pooled_t(found.estimate, found.standard_error, found.df, level)

    def note(self, place: int) -> str:
        """Return why a term has no estimate, '' where it has one."""
        if self.pooled[place] is not None:
            return ""
        return "no finite estimate in at least one completed data set"


def _complete_df(design: CoxDesign, outcome: str) -> float:
    left = len(design.rows) - len(design.terms)
    if left < 1:
        raise SurvivalDataError(
            f"{outcome}: {len(design.rows)} athletes for {len(design.terms)} coefficients leave "
            "no degrees of freedom to pool with"
        )
    return float(left)


def _pool_term(
    fits: list[tuple[CoxDesign, CoxEstimate]], place: int, step: float, df: float
) -> Pooled | None:
    # Each data set has its own SD; all are brought to the step of the reference model.
    factors = [step / design.terms[place].scale for design, _ in fits]
    terms = [estimate.terms[place] for _, estimate in fits]
    if not all(term.is_finite for term in terms):
        return None
    return pool(
        [term.coefficient * factor for term, factor in zip(terms, factors, strict=True)],
        [(term.se * factor) ** 2 for term, factor in zip(terms, factors, strict=True)],
        df,
    )


def pooled_cox(
    completed: Iterable[pd.DataFrame],
    plan: Mapping[str, Any],
    outcome: str,
    reference: tuple[Term, ...],
) -> PooledCox:
    """Fit the primary predictors of the plan to every completed cohort and pool.

    Parameters
    ----------
    reference
        Terms of the complete-case model; its steps (SD) are those of the pooled coefficients, so
        that both can stand side by side.

    Raises
    ------
    SurvivalDataError
        A completed cohort cannot carry the model, or has other terms than the complete cases.
    """
    fits = [fit_outcome(cohort, plan["primary"], plan, outcome) for cohort in completed]
    design, estimate = fits[0]
    names = tuple(term.name for term in reference)
    if design.names != names:
        raise SurvivalDataError(
            f"{outcome}: the complete cases have the terms {', '.join(names)}, the completed data "
            f"{', '.join(design.names)}: a category occurs among incomplete athletes only"
        )
    df = _complete_df(design, outcome)
    pooled = tuple(_pool_term(fits, place, term.scale, df) for place, term in enumerate(reference))
    return PooledCox(design, estimate, pooled, all(each.converged for _, each in fits))
