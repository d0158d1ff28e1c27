"""A hazard ratio for each of two periods of follow-up: the primary models, cut at a day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_rows import add_hazard_ratio, term_fields
from analysis.models.events_needed import too_few
from analysis.models.outcome_model import (
    OutcomeModel,
    pool_terms,
    pooled_fields,
    pooled_inference,
)
from analysis.models.proportionality import test_fields
from analysis.models.term_inference import TermInference, wald
from analysis.survival.cox import CoxFit, fit_cox
from analysis.survival.cox_sample import CoxSample, cox_sample
from analysis.survival.episodes import Episodes, split_follow_up
from analysis.survival.errors import SurvivalDataError
from analysis.survival.linear import ChiSquareTest


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


@dataclass(frozen=True)
class _Periods:
    """Fits with a coefficient per period for one term, one per data set; events of each period."""

    fits: tuple[CoxFit, ...]
    events: tuple[int, int]


def _fit_periods(
    model: OutcomeModel, position: int, cut: float, plan: Mapping[str, Any]
) -> _Periods:
    """Fit every data set of a model with two coefficients for the term at `position`.

    Raises
    ------
    SurvivalDataError
        Too few events, or no finite estimate in one of the data sets.
    """
    fits = []
    for design, _ in model.fits:
        episodes = split_follow_up(design.time, design.event, [cut])
        sample, events = _sample_of_periods(design, episodes, position)
        # Each period has a coefficient of its own, and so needs events of its own.
        if reason := too_few(design.n_events, len(sample.names), plan) or too_few(
            min(events), 1, plan
        ):
            raise SurvivalDataError(reason)
        fits.append(fit_cox(sample, ties=plan["cox"]["ties"]))
        if not fits[-1].converged:
            raise SurvivalDataError("no finite estimate: too few events in one of the periods")
    return _Periods(tuple(fits), events)


def _period_inferences(
    model: OutcomeModel, fits: Sequence[CoxFit], level: float
) -> list[tuple[TermInference, EstimateFields]]:
    """Return inference and columns of the two last coefficients, pooled if the model is."""
    coefficients = [fit.coefficients[-2:] for fit in fits]
    errors = [fit.standard_errors[-2:] for fit in fits]
    if not model.pooled:
        return [
            (wald(float(b), float(se), level), {})
            for b, se in zip(coefficients[0], errors[0], strict=True)
        ]
    return [
        (pooled_inference(found, level), pooled_fields(found))
        for found in pool_terms(coefficients, errors, model.complete_df - 1)
    ]


def add_periods(
    numbers: Estimates, outcome: str, model: OutcomeModel, plan: Mapping[str, Any]
) -> None:
    """Add the hazard ratio of each predictor before and after the cut, and whether they differ."""
    cut = plan["sensitivity"]["specifications"]["periods_cut_day"]
    if cut is None:
        return
    shared = model.shared_fields(plan, outcome)
    shared["estimation"] = model.estimation_by("partial likelihood")
    for position, term in enumerate(model.terms[: model.design.n_predictors]):
        address = (outcome, "periods", term.name)
        try:
            found = _fit_periods(model, position, cut, plan)
        except SurvivalDataError as error:
            numbers.not_run(address, str(error), outcome=outcome)
            continue
        inferences = _period_inferences(model, found.fits, float(plan["confidence_level"]))
        for period, count, (inference, own) in zip((1, 2), found.events, inferences, strict=True):
            side = "up to" if period == 1 else "after"
            note = f"{side} day {cut:g}; the other terms have one coefficient throughout"
            fields: EstimateFields = {**shared, **own, "n_events": count, "note": note}
            place = (f"period_{period}", term.name)
            add_hazard_ratio(numbers, outcome, place, term, inference, fields)
        tests = [
            ChiSquareTest.of(2 * (fit.log_likelihood - estimate.fit.log_likelihood), 1)
            for fit, (_, estimate) in zip(found.fits, model.fits, strict=True)
        ]
        row: EstimateFields = {
            **shared,
            **term_fields(term),
            **test_fields(tests, "coefficients that differ"),
            "note": f"likelihood ratio: one hazard ratio before and another after day {cut:g}, "
            "against one",
        }
        place = ("periods", term.name)
        numbers.add(outcome, place, "equal_hazard_ratios_test", row["statistic"], **row)
