"""Two models of the same athletes judged together: each alone, and what one adds to the other.

Predictions are (n, 2): risks by the horizon of the reference model and of the model with more
predictors, built from the same rows. Differences are taken within a resample, so that their
interval is paired.

Concordance treats competing ends as censored (Harrell: with that of the study; Uno: weighted
for it, events up to the horizon). The area under the ROC curve, Brier score, calibration and net
benefit are of the absolute risk: whoever had another end first is without the event.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.prediction.brier import brier_values
from analysis.prediction.calibration import observed_expected
from analysis.prediction.censoring import HorizonSample, horizon_sample
from analysis.prediction.dynamic_auc import area_under_curve
from analysis.prediction.model_building import Judge
from analysis.prediction.net_benefit import weighted_net_benefit
from analysis.prediction.uno import uno_concordance
from analysis.prediction.weighted_calibration import (
    calibration_intercept,
    calibration_slope_at_horizon,
    observed_along,
)
from analysis.survival.checks import Floats, Integers
from analysis.survival.concordance import harrell_concordance
from analysis.survival.intervals import normal_quantile

REFERENCE, WITH_METRICS = "reference", "with_metrics"
MODELS = (REFERENCE, WITH_METRICS)
ADDED = "added"

DISCRIMINATION = ("harrell_c", "uno_c", "auc")
COMPARED = (*DISCRIMINATION, "brier", "scaled_brier")
"""Measures whose difference between the models has a meaning."""

ACT_FOR_ALL = "act_for_all"


@dataclass(frozen=True, eq=False)
class Outcome:
    """Follow-up of the group: time (n,), cause (n,) 0 censored, 1 the event, 2 another end."""

    stop: Floats
    cause: Integers
    horizon: float

    def of(self, rows: Integers) -> Outcome:
        """Return the outcome of some rows."""
        return Outcome(self.stop[rows], self.cause[rows], self.horizon)


def discrimination(risk: Floats, outcome: Outcome, sample: HorizonSample) -> dict[str, float]:
    """Return Harrell's and Uno's C and the area under the ROC curve at the horizon.

    Raises
    ------
    SurvivalDataError : no event by the horizon, or nobody to compare it with
    """
    stop, event = outcome.stop, outcome.cause == 1
    truncation = min(outcome.horizon, float(stop.max()))
    return {
        "harrell_c": harrell_concordance(risk, stop, event).estimate,
        "uno_c": uno_concordance(risk, stop, event, truncation=truncation).estimate,
        "auc": area_under_curve(risk, sample, "without_the_event"),
    }


def accuracy(risk: Floats, sample: HorizonSample) -> dict[str, float]:
    """Return what needs the size of the risks: Brier scores and calibration.

    Raises
    ------
    SurvivalDataError : no event by the horizon, or calibration without finite estimate
    """
    brier, null = brier_values(risk, sample)
    return {
        "brier": brier,
        "scaled_brier": 1 - brier / null,
        "observed_expected": sample.risk / float(risk.mean()),
        "calibration_intercept": calibration_intercept(risk, sample).estimate,
        "calibration_slope": calibration_slope_at_horizon(risk, sample).estimate,
    }


def calibration_errors(predictions: Floats, outcome: Outcome) -> dict[str, float]:
    """Return the standard error of each model's calibration with its predictions held fixed.

    A model that is refitted in a resample is calibrated there, so resamples do not show by how
    much calibration is left to chance. The ratio of observed to expected has its error on the log
    scale: Greenwood's, as in `observed_expected`.
    """
    sample = horizon_sample(outcome.stop, outcome.cause, outcome.horizon)
    errors = {}
    for k, model in enumerate(MODELS):
        risk = predictions[:, k]
        ratio = observed_expected(risk, outcome.stop, outcome.cause, horizon=outcome.horizon)
        width = float(np.log(ratio.upper / ratio.lower)) / (2 * normal_quantile(ratio.level))
        intercept = calibration_intercept(risk, sample)
        slope = calibration_slope_at_horizon(risk, sample)
        errors[key(model, "observed_expected")] = width
        errors[key(model, "calibration_intercept")] = intercept.standard_error
        errors[key(model, "calibration_slope")] = slope.standard_error
    return errors


def key(model: str, measure: str, place: int | None = None) -> str:
    """Return the name of one value of a judge; `place` counts points of a curve from 0."""
    return f"{model}/{measure}" if place is None else f"{model}/{measure}/{place}"


def judge_discrimination(outcome: Outcome) -> Judge:
    """Return a judge of discrimination alone: of each model, and of what was added."""

    def judge(predictions: Floats, rows: Integers) -> dict[str, float]:
        there = outcome.of(rows)
        sample = horizon_sample(there.stop, there.cause, there.horizon)
        return _compared(
            {m: discrimination(predictions[:, k], there, sample) for k, m in enumerate(MODELS)},
            DISCRIMINATION,
        )

    return judge


def judge_all(outcome: Outcome, thresholds: Floats, knots: Floats, along: Floats) -> Judge:
    """Return a judge of everything: discrimination, accuracy, net benefit, calibration curve.

    Parameters
    ----------
    thresholds : (T,) predicted risks
    knots, along : of the calibration curve of the model with the metrics, see `observed_along`
    """

    def judge(predictions: Floats, rows: Integers) -> dict[str, float]:
        there = outcome.of(rows)
        sample = horizon_sample(there.stop, there.cause, there.horizon)
        found, benefits = {}, {}
        for k, model in enumerate(MODELS):
            risk = predictions[:, k]
            found[model] = {**discrimination(risk, there, sample), **accuracy(risk, sample)}
            benefits[model], for_all = weighted_net_benefit(risk, sample, thresholds)
        values = _compared(found, COMPARED)
        benefits[ADDED] = benefits[WITH_METRICS] - benefits[REFERENCE]
        benefits[ACT_FOR_ALL] = for_all
        curve = observed_along(predictions[:, 1], sample, knots, along)
        for name, benefit in benefits.items():
            values |= {key(name, "net_benefit", i): v for i, v in enumerate(benefit.tolist())}
        return values | {
            key(WITH_METRICS, "observed_risk", i): v for i, v in enumerate(curve.tolist())
        }

    return judge


def _compared(found: dict[str, dict[str, float]], measures: Sequence[str]) -> dict[str, float]:
    values = {key(m, name): value for m, part in found.items() for name, value in part.items()}
    for name in measures:
        values[key(ADDED, name)] = found[WITH_METRICS][name] - found[REFERENCE][name]
    return values


def curve_points(risk: Floats, points: int, shown: tuple[float, float] = (0.05, 0.95)) -> Floats:
    """Return predicted risks (points,) at which a curve is drawn, equally spaced over the middle.

    The ends are quantiles of the predictions, so that no point is the risk of one athlete.
    """
    low, high = np.quantile(risk, shown)
    return np.linspace(float(low), float(high), points)
