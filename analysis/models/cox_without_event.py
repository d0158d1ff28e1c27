"""Does a single event carry the primary model? Its refits without each one, as a group's range."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.estimates import EstimateFields, Estimates
from analysis.imputation.pooling import pool
from analysis.models.cox_rows import term_fields
from analysis.models.outcome_model import OutcomeModel, pooled_inference
from analysis.models.term_inference import TermInference
from analysis.survival.influence import leave_one_event_out

ANALYSIS = "cox_leave_one_event_out"

Array = NDArray[Any]


def _pooled_refits(
    coefficients: Array, errors: Array, complete_df: float, level: float
) -> list[TermInference]:
    """Return one pooled inference per event; both arrays are (data sets, events)."""
    return [
        pooled_inference(pool(values, squares, complete_df), level)
        for values, squares in zip(coefficients.T, np.square(errors).T, strict=True)
    ]


def _refits(model: OutcomeModel, level: float) -> tuple[int, Array, Array, str]:
    """Return how many refits were lost, coefficients and p (events, p) of the others, and words.

    A refit without one event is pooled over the data sets as the model itself is; it is lost when
    one of them has no finite estimate.
    """
    found = [leave_one_event_out(each.sample, ties=each.fit.ties) for _, each in model.fits]
    usable = ~np.any([each.refused | each.monotone for each in found], axis=0)
    coefficients = np.array([each.coefficients[usable] for each in found])
    errors = np.array([each.standard_errors[usable] for each in found])
    lost = int((~usable).sum())
    if not model.pooled:
        return lost, coefficients[0], 2 * ndtr(-np.abs(coefficients[0] / errors[0])), "Wald p"
    df = model.complete_df - 1
    p = [
        [each.p for each in _pooled_refits(values, spread, df, level)]
        for values, spread in zip(
            np.moveaxis(coefficients, 2, 0), np.moveaxis(errors, 2, 0), strict=True
        )
    ]
    return lost, coefficients.mean(axis=0), np.array(p).T, "pooled t, p"


def _sign(values: Sequence[float]) -> float:
    return float(np.sign(np.mean(values)))


def add_range(
    numbers: Estimates, outcome: str, model: OutcomeModel, below: int, level: float
) -> None:
    """Add, for each predictor, the range of hazard ratio and p, and how often the sign turned.

    Only smallest, largest and counts are kept: nothing here belongs to one athlete.

    Parameters
    ----------
    below
        Events from which on a single one cannot carry the model, and no refit is made.
    """
    if model.design.n_events >= below:
        numbers.not_run(outcome, f"planned for fewer than {below} events, there are more")
        return
    lost, refitted, p_values, test = _refits(model, level)
    if not len(refitted):
        numbers.not_run(outcome, "no refit without one event has a finite estimate")
        return
    refits = f"refits without one event's athlete each; {test}; steps as in the full model"
    note = f"{len(refitted)} {refits}" + (f"; {lost} more had no finite estimate" if lost else "")
    for position, term in enumerate(model.terms[: model.design.n_predictors]):
        coefficients, p = refitted[:, position], p_values[:, position]
        whole = _sign([estimate.fit.coefficients[position] for _, estimate in model.fits])
        turned = np.sign(coefficients) != whole
        fields: EstimateFields = {**term_fields(term), "note": note}
        for quantity, value, unit in (
            ("smallest_hazard_ratio", np.exp(coefficients.min()), term.unit),
            ("largest_hazard_ratio", np.exp(coefficients.max()), term.unit),
            ("smallest_p", p.min(), "probability"),
            ("largest_p", p.max(), "probability"),
            ("sign_changes", turned.sum(), "refits"),
            ("refits", len(refitted), "refits"),
        ):
            fields["unit"] = unit
            numbers.add(outcome, term.name, quantity, float(value), **fields)
