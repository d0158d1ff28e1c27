"""Planted hazard ratios beside those found (demo study only)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.analysis_set import landmark_rows
from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign, Term
from analysis.models.filled_cohort import FilledCohort
from analysis.models.measurement import given_columns
from analysis.models.outcome_model import primary_model
from analysis.models.variables import predictor_variable

Array = NDArray[np.float64]

NAIVE = "cox_primary"
CORRECTED = "cox_calibrated_trial_error"


def planted_log_ratio(effects: pd.DataFrame, term: Term, outcome: str) -> float | None:
    """Return the planted log hazard ratio of a term, in the term's own steps.

    A predictor's step is one SD of its true values; a covariate's is the one of the plan.
    """
    rows = effects.loc[effects["cause"] == outcome].set_index("term")["log_hazard_ratio"]
    if term.is_predictor:
        return float(rows[term.variable.metric]) if term.variable.metric in rows else None
    if term.name in rows:
        return float(rows[term.name]) * term.scale
    # Planted for one sex against the other; the model may have it the other way round.
    opposite = {"sex_male": "sex_female", "sex_female": "sex_male"}.get(term.name, "")
    return -float(rows[opposite]) if opposite in rows else None


def expected_naive(design: CoxDesign, true: Array, planted: Array) -> Array:
    """Return (p,) the log hazard ratios per measured SD that error leaves of the planted ones.

    Parameters
    ----------
    true : (n, p) true predictors of the athletes in the model
    planted : (p,) log hazard ratio per SD of the true predictors

    Notes
    -----
    The regression of the true on the measured predictors, given the covariates, is known here,
    because the truth is: naive = slope * planted.
    """
    count = design.n_predictors
    columns = np.column_stack([design.matrix[:, :count], given_columns(design)])
    slopes, *_ = np.linalg.lstsq(columns, true, rcond=None)
    result: Array = slopes[:count] @ planted
    return result


def _copy(row: pd.Series) -> EstimateFields:
    fields: EstimateFields = {
        "ci_low": float(row["ci_low"]),
        "ci_high": float(row["ci_high"]),
        "ci_level": float(row["ci_level"]),
        "ci_type": str(row["ci_type"]),
        "n_athletes": int(row["n_athletes"]),
        "n_events": int(row["n_events"]),
    }
    return fields


def _add_found(
    numbers: Estimates,
    found: pd.DataFrame,
    address: tuple[str, str],
    source: str,
    target: float,
    named: EstimateFields,
) -> None:
    """Add a hazard ratio found, and whether its interval covers what it should."""
    outcome, term = address
    word = {NAIVE: "naive", CORRECTED: "corrected"}[source]
    rows = found.loc[found["number_id"] == f"{source}.{outcome}.{term}.hazard_ratio"]
    if rows.empty or not np.isfinite(rows["estimate"].iloc[0]):
        numbers.not_run((outcome, term, word), f"{source} gave no estimate", outcome=outcome)
        return
    row = rows.iloc[0]
    fields: EstimateFields = {**named, **_copy(row)}
    numbers.add(outcome, (term, word), "found_hazard_ratio", float(row["estimate"]), **fields)
    covers = float(row["ci_low"]) <= math.exp(target) <= float(row["ci_high"])
    named["unit"] = "yes = 1"
    numbers.add(outcome, (term, word), "interval_covers", float(covers), **named)


def _expected(designs: Sequence[CoxDesign], truth: pd.DataFrame, planted: Array) -> list[float]:
    """Return what error leaves of planted effects, the mean over completed data sets."""
    count = designs[0].n_predictors
    columns = [f"{term.variable.metric}_standardised" for term in designs[0].terms[:count]]
    true = truth.loc[designs[0].rows["athlete_id"], columns].to_numpy(dtype=float)
    found: list[float] = np.mean(
        [expected_naive(each, true, planted) for each in designs], 0
    ).tolist()
    return found


def effect_numbers(
    filled: FilledCohort,
    truth_athletes: pd.DataFrame,
    effects: pd.DataFrame,
    found: pd.DataFrame,
    plan: Mapping[str, Any],
) -> Estimates:
    """Return planted, expected and found hazard ratios of the primary models.

    The planted effects act through the true status at the clearance visit. The naive estimate is
    held against what error leaves of them, the corrected one against the planted value itself.
    """
    numbers = Estimates("planted_effects", note="demo study: effects planted by the generator")
    for outcome in plan["primary_outcomes"]:
        model = primary_model(filled, plan, outcome)
        count = model.design.n_predictors
        planted = [planted_log_ratio(effects, term, outcome) for term in model.terms]
        predictors = np.array([value or 0.0 for value in planted[:count]])
        designs = [design for design, _ in model.fits]
        truth = truth_athletes.set_index("athlete_id")
        expected = [*_expected(designs, truth, predictors), *planted[count:]]
        for term, ratio, naive in zip(model.terms, planted, expected, strict=True):
            if ratio is None or naive is None:
                continue
            named: EstimateFields = {
                "outcome": outcome,
                "metric": term.variable.metric,
                "sensor": term.variable.sensor,
                "task": term.variable.task,
                "limb": term.variable.limb,
                "unit": "per SD of the true value" if term.is_predictor else term.unit,
            }
            numbers.add(outcome, term.name, "planted_hazard_ratio", math.exp(ratio), **named)
            measured: EstimateFields = {**named, "unit": term.unit}
            quantity = "expected_naive_hazard_ratio"
            numbers.add(outcome, term.name, quantity, math.exp(naive), **measured)
            address = (outcome, term.name)
            _add_found(numbers, found, address, NAIVE, float(naive), measured)
            if term.is_predictor:
                _add_found(numbers, found, address, CORRECTED, ratio, named)
    return numbers


def predictor_numbers(
    cohort: pd.DataFrame, truth_athletes: pd.DataFrame, plan: Mapping[str, Any]
) -> Estimates:
    """Return how the measured predictors lie to the true ones, over athletes.

    Bias and SD of the difference, and the squared correlation, which is the reliability that
    really holds (clearance status as the true value, all errors of the sensors included).
    """
    numbers = Estimates("planted_predictors", note="measured at clearance against the true status")
    truth = truth_athletes.set_index("athlete_id")
    rows = landmark_rows(cohort)
    for predictor in plan["primary"]:
        column = f"{predictor['metric']}_true"
        if column not in truth.columns:
            continue
        name, variable = predictor["name"], predictor_variable(predictor)
        known = rows.loc[rows[name].notna()]
        measured = known[name].to_numpy(dtype=float)
        true = truth.loc[known["athlete_id"], column].to_numpy(dtype=float)
        if len(known) < 3:
            numbers.not_run(name, "fewer than three athletes have the predictor")
            continue
        fields = variable.fields(variable.unit, len(known))
        numbers.add(name, "difference", "bias", float((measured - true).mean()), **fields)
        spread = float((measured - true).std(ddof=1))
        numbers.add(name, "difference", "standard_deviation", spread, **fields)
        fields["unit"] = "share"
        squared = float(np.corrcoef(measured, true)[0, 1] ** 2)
        numbers.add(name, "all", "squared_correlation_with_truth", squared, **fields)
    return numbers
