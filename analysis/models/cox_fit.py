"""Fit a Cox model by the conventions of the plan: ties, penalty, interval."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.models.cox_design import CoxDesign, cox_design
from analysis.models.term_inference import TermInference, profile, undefined, wald
from analysis.survival.cox import CoxFit, fit_cox
from analysis.survival.cox_sample import CoxSample, Ties, cox_sample
from analysis.survival.errors import SurvivalDataError
from analysis.survival.firth import fit_firth, maximise_firth

FIRTH = "penalised partial likelihood (Firth)"
"""How estimates with the penalty were found."""

DIVERGES = "no finite estimate: every event lies at one end of this term (monotone likelihood)"
UNDETERMINED = "no finite estimate: too few events beside a term that diverges"
NO_ESTIMATE = "a refit has no finite estimate"
# Of a log hazard ratio per step of the term; beyond it an interval spans more than 10^±40.
LARGEST_STANDARD_ERROR = 50.0


Array = NDArray[np.float64]

Refit = Callable[[CoxSample], tuple[Array, Array]]
"""Coefficients (p,) and covariance (p, p) of a sample; `SurvivalDataError` where it has none."""


@dataclass(frozen=True)
class CoxEstimate:
    """A fit and the inference on each of its terms, in the order of the design.

    `fit` has no penalty, whatever the terms rest on; tests of the model's form need it.
    `coefficients` (p,) and `covariance` (p, p) are what the terms rest on, and what a correction
    starts from; `refit` gives them for other values of the predictors.
    """

    sample: CoxSample
    fit: CoxFit
    coefficients: Array
    covariance: Array
    refit: Refit
    terms: tuple[TermInference, ...]
    estimation: str
    converged: bool
    notes: dict[str, str]

    def note_of(self, term: str) -> str:
        """Return what a reader must know about a term."""
        return self.notes.get(term, "")

    @property
    def cannot_be_corrected(self) -> str:
        """Why there is no estimate that a correction could start from; '' when there is."""
        return next((f"nothing to correct: {term}: {why}" for term, why in self.notes.items()), "")


Fitted = tuple[CoxDesign, CoxEstimate]


def sample_of(design: CoxDesign) -> CoxSample:
    """Return the checked sample of a design."""
    return cox_sample(
        design.matrix, design.time, design.event, strata=design.strata, names=design.names
    )


def estimate_cox(design: CoxDesign, plan: Mapping[str, Any]) -> CoxEstimate:
    """Fit a design by the plan's conventions and return the inference on its terms.

    Raises
    ------
    SurvivalDataError
        The rows cannot carry the model, or the plan asks for a profile interval without penalty.
    """
    cox = plan["cox"]
    if cox["penalty"] == "firth":
        return estimate_firth(design, cox["ties"], float(plan["confidence_level"]))
    if cox["interval"] != "wald":
        raise SurvivalDataError(
            f"interval {cox['interval']!r} is available with the penalty 'firth' only; "
            "name 'wald' in the plan, or the penalty"
        )
    return estimate_plain(design, cox["ties"], float(plan["confidence_level"]))


def estimate_plain(design: CoxDesign, ties: Ties, level: float) -> CoxEstimate:
    """Fit without penalty; Wald intervals.

    A coefficient that diverges (monotone likelihood) has no estimate and says so; neither has one
    that the few events left beside it do not determine.
    """
    sample = sample_of(design)
    fit = fit_cox(sample, ties=ties)
    notes = {
        name: DIVERGES if name in fit.diverging else UNDETERMINED
        for name, se in zip(fit.names, fit.standard_errors, strict=True)
        if name in fit.diverging or (fit.monotone and not se < LARGEST_STANDARD_ERROR)
    }
    terms = tuple(
        undefined(level) if name in notes else wald(float(b), float(se), level)
        for name, b, se in zip(fit.names, fit.coefficients, fit.standard_errors, strict=True)
    )
    return CoxEstimate(
        sample,
        fit,
        fit.coefficients,
        fit.covariance,
        partial(_refit_plain, ties),
        terms,
        "partial likelihood",
        fit.converged,
        notes,
    )


def _refit_plain(ties: Ties, sample: CoxSample) -> tuple[Array, Array]:
    fit = fit_cox(sample, ties=ties)
    if not fit.converged:
        raise SurvivalDataError(NO_ESTIMATE)
    return fit.coefficients, fit.covariance


def estimate_firth(design: CoxDesign, ties: Ties, level: float) -> CoxEstimate:
    """Fit with Firth's penalty; intervals and tests by the penalised profile likelihood."""
    sample = sample_of(design)
    found = fit_firth(sample, ties=ties, level=level)
    terms = tuple(
        profile(float(b), float(se), float(low), float(high), test, level)
        for b, se, low, high, test in zip(
            found.coefficients,
            found.standard_errors,
            found.lower,
            found.upper,
            found.tests,
            strict=True,
        )
    )
    return CoxEstimate(
        sample,
        fit_cox(sample, ties=ties),
        found.coefficients,
        found.covariance,
        partial(_refit_firth, ties),
        terms,
        FIRTH,
        found.converged,
        {},
    )


def _refit_firth(ties: Ties, sample: CoxSample) -> tuple[Array, Array]:
    found = maximise_firth(sample, ties=ties)
    if not found.converged:
        raise SurvivalDataError(NO_ESTIMATE)
    return found.coefficients, found.covariance


def fit_outcome(
    cohort: pd.DataFrame,
    predictors: Sequence[dict[str, Any]],
    plan: Mapping[str, Any],
    outcome: str,
    label: str = "",
    scales: Mapping[str, float] | None = None,
) -> Fitted:
    """Fit the model of one outcome to the athletes of the landmark cohort.

    `label` names the model in addresses when an outcome has several models; `scales` gives steps
    other than the predictors' own SD.

    Raises
    ------
    SurvivalDataError
        The rows cannot carry the model (no event, constant or collinear column).
    """
    events = plan["outcomes"][outcome]["events"]
    design = cox_design(cohort, predictors, plan, events, label, scales)
    return design, estimate_cox(design, plan)
