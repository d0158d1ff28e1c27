"""Fit a Cox model by the conventions of the plan: ties, penalty, interval."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.models.cox_design import CoxDesign
from analysis.models.term_inference import TermInference, undefined, wald
from analysis.survival.cox import CoxFit, fit_cox
from analysis.survival.cox_sample import CoxSample, cox_sample


@dataclass(frozen=True)
class CoxEstimate:
    """A fit and the inference on each of its terms, in the order of the design."""

    sample: CoxSample
    fit: CoxFit
    terms: tuple[TermInference, ...]
    converged: bool
    notes: dict[str, str]

    def note_of(self, term: str) -> str:
        """Return what a reader must know about a term."""
        return self.notes.get(term, "")


def sample_of(design: CoxDesign) -> CoxSample:
    """Return the checked sample of a design."""
    return cox_sample(
        design.matrix, design.time, design.event, strata=design.strata, names=design.names
    )


def estimate_cox(design: CoxDesign, plan: Mapping[str, Any]) -> CoxEstimate:
    """Fit a design and return the inference on its terms.

    A coefficient that diverges (monotone likelihood) has no estimate and says so.

    Raises
    ------
    SurvivalDataError
        The rows cannot carry the model.
    """
    sample = sample_of(design)
    fit = fit_cox(sample, ties=plan["cox"]["ties"])
    level = float(plan["confidence_level"])
    terms = tuple(
        undefined(level) if name in fit.diverging else wald(float(b), float(se), level)
        for name, b, se in zip(fit.names, fit.coefficients, fit.standard_errors, strict=True)
    )
    notes = {
        name: "no finite estimate: every event lies at one end of this term (monotone likelihood)"
        for name in fit.diverging
    }
    return CoxEstimate(sample, fit, terms, fit.converged, notes)
