"""Internal-external validation of the prediction: built without a site, judged at that site."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from analysis.estimates import Estimates
from analysis.models.prediction_design import PredictionDesign
from analysis.prediction.added_value import Outcome
from analysis.prediction.brier import brier_score
from analysis.prediction.calibration import observed_expected
from analysis.prediction.censoring import horizon_sample
from analysis.prediction.dynamic_auc import dynamic_auc
from analysis.prediction.internal_external import SitePerformance, leave_site_out
from analysis.prediction.model_building import Measure
from analysis.prediction.uno import uno_concordance
from analysis.prediction.weighted_calibration import (
    calibration_intercept,
    calibration_slope_at_horizon,
)
from analysis.survival.concordance import harrell_concordance
from analysis.survival.errors import SurvivalDataError
from analysis.survival.intervals import normal_quantile

_ERROR = "/standard error"
Judged = Callable[[np.ndarray, Outcome], tuple[float, float]]
"""Estimate and standard error of a measure; of the ratio on the log scale."""


def _harrell(risk: np.ndarray, there: Outcome) -> tuple[float, float]:
    found = harrell_concordance(risk, there.stop, there.cause == 1)
    return found.estimate, found.standard_error


def _uno(risk: np.ndarray, there: Outcome) -> tuple[float, float]:
    truncation = min(there.horizon, float(there.stop.max()))
    found = uno_concordance(risk, there.stop, there.cause == 1, truncation=truncation)
    return found.estimate, found.standard_error


def _auc(risk: np.ndarray, there: Outcome) -> tuple[float, float]:
    found = dynamic_auc(
        risk, there.stop, there.cause, horizon=there.horizon, controls="without_the_event"
    )
    return found.estimate, found.standard_error


def _brier(risk: np.ndarray, there: Outcome) -> tuple[float, float]:
    found = brier_score(risk, there.stop, there.cause, horizon=there.horizon)
    return found.estimate, found.standard_error


def _ratio(risk: np.ndarray, there: Outcome) -> tuple[float, float]:
    found = observed_expected(risk, there.stop, there.cause, horizon=there.horizon)
    width = math.log(found.upper / found.lower) / (2 * normal_quantile(found.level))
    return found.ratio, width


def _intercept(risk: np.ndarray, there: Outcome) -> tuple[float, float]:
    found = calibration_intercept(risk, horizon_sample(there.stop, there.cause, there.horizon))
    return found.estimate, found.standard_error


def _slope(risk: np.ndarray, there: Outcome) -> tuple[float, float]:
    sample = horizon_sample(there.stop, there.cause, there.horizon)
    found = calibration_slope_at_horizon(risk, sample)
    return found.estimate, found.standard_error


MEASURES: dict[str, Judged] = {
    "harrell_c": _harrell,
    "uno_c": _uno,
    "auc": _auc,
    "brier": _brier,
    "observed_expected": _ratio,
    "calibration_intercept": _intercept,
    "calibration_slope": _slope,
}


def _measures(outcome: Outcome) -> dict[str, Measure]:
    """Return estimate and standard error of each measure of the model with the metrics."""

    def one(judged: Judged, place: int) -> Measure:
        return lambda predictions, rows: judged(predictions[:, 1], outcome.of(rows))[place]

    found: dict[str, Measure] = {}
    for name, judged in MEASURES.items():
        found[name] = one(judged, 0)
        found[name + _ERROR] = one(judged, 1)
    return found


def add_sites(numbers: Estimates, design: PredictionDesign, plan: Mapping[str, Any]) -> None:
    """Add the performance at each site of the model built at the others, or why there is none."""
    chosen = plan["prediction"]
    subject = chosen["outcome"]
    if not chosen["leave_site_out"]:
        numbers.not_run(subject, "validation by site was not asked for by the plan")
        return
    try:
        found = leave_site_out(
            design.sites, design.builder(chosen["penalties"]), _measures(design.outcome)
        )
    except SurvivalDataError:
        numbers.not_run(
            subject, "the complete athletes come from one site; validation by site needs two"
        )
        return
    least = int(chosen["smallest_site_events"])
    for part in found:
        events = int(design.is_event[design.sites == part.site].sum())
        if events < least:
            numbers.not_run(
                (subject, str(part.site)),
                f"events at this site: {events}, fewer than the {least} that the plan asks for to "
                "judge a prediction there",
                site=str(part.site),
            )
            continue
        _add_site(numbers, subject, part, events, float(plan["confidence_level"]))


def _add_site(
    numbers: Estimates, subject: str, part: SitePerformance, events: int, level: float
) -> None:
    site = str(part.site)
    reasons = {name: part.refused[name] for name in MEASURES if name in part.refused}
    if len(reasons) == len(MEASURES):
        numbers.not_run((subject, site), next(iter(reasons.values())), site=site)
        return
    for name in MEASURES:
        if name in reasons:
            numbers.not_run((subject, site, name), reasons[name], site=site)
            continue
        value, error = part.values[name], part.values[name + _ERROR]
        half = normal_quantile(level) * error
        is_ratio = name == "observed_expected"
        numbers.add(
            subject, site, name, value,
            site=site, n_athletes=part.rows, n_events=events, se=error,
            se_scale="log" if is_ratio else "identity",
            ci_low=value * math.exp(-half) if is_ratio else value - half,
            ci_high=value * math.exp(half) if is_ratio else value + half,
            ci_level=level,
            ci_type="normal, log scale, predictions held fixed" if is_ratio
            else "normal, predictions held fixed",
            note=f"built from {part.rows_elsewhere} athletes of the other sites",
        )  # fmt: skip
