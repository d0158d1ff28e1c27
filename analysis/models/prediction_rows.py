"""Numbers of the prediction as rows of `estimates`: size, performance, null, curves."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from analysis.estimates import EstimateFields, Estimates
from analysis.models.prediction_design import PredictionDesign
from analysis.prediction.added_value import ACT_FOR_ALL, ADDED, MODELS, WITH_METRICS, key
from analysis.prediction.optimism import Optimism, PermutationNull
from analysis.prediction.required_size import RequiredSize, expected_shrinkage, required_size
from analysis.survival.errors import SurvivalDataError
from analysis.survival.intervals import normal_quantile

SIZE = "prediction_size"
PERFORMANCE = "prediction_performance"
NULL = "prediction_null"
CURVE = "prediction_curve"
SITES = "prediction_sites"

CORRECTED, APPARENT, OPTIMISM = "corrected", "apparent", "optimism"

DAYS_PER_YEAR = 365.25
_CURVES = ("net_benefit", "observed_risk")
_RATIO = "observed_expected"
_NARROW = "the interval shows sampling of the group; refitting to few events makes it too narrow"


def add_size(numbers: Estimates, design: PredictionDesign, chosen: Mapping[str, Any]) -> None:
    """Add how many athletes and events the model needs, beside how many there are."""
    subject = chosen["outcome"]
    numbers.add(subject, "found", "athletes", design.n, unit="athletes")
    numbers.add(subject, "found", "events", design.n_events, unit="events")
    numbers.add(subject, "all", "parameters", design.parameters, unit="parameters")
    per = design.n_events / design.parameters
    numbers.add(subject, "found", "events_per_parameter", per, unit="events per parameter")
    years = float(design.follow_up_days.sum()) / DAYS_PER_YEAR
    try:
        needed = required_size(
            parameters=design.parameters,
            r_squared=chosen["anticipated_r_squared"],
            rate=design.n_events / years,
            horizon=chosen["horizon_days"] / DAYS_PER_YEAR,
            mean_follow_up=years / design.n,
        )
        shrinkage = expected_shrinkage(
            athletes=design.n,
            parameters=design.parameters,
            r_squared=chosen["anticipated_r_squared"],
        )
    except (SurvivalDataError, ValueError) as error:
        numbers.not_run((subject, "required"), str(error))
        return
    _add_needed(numbers, subject, needed)
    numbers.add(
        subject, "found", "expected_shrinkage", shrinkage, unit="factor",
        note="by which coefficients of an unpenalised model of this sample would have to shrink",
    )  # fmt: skip


def _add_needed(numbers: Estimates, subject: str, needed: RequiredSize) -> None:
    note = "criteria of Riley, Snell, Ensor et al. 2019; the largest counts"
    for term, value in (
        ("required", needed.athletes),
        ("for_shrinkage", needed.for_shrinkage),
        ("for_optimism", needed.for_optimism),
        ("for_mean_risk", needed.for_mean_risk),
    ):
        numbers.add(subject, term, "athletes", value, unit="athletes", note=note)
    numbers.add(subject, "required", "events", needed.events, unit="events", note=note)
    numbers.add(
        subject, "required", "events_per_parameter", needed.events_per_parameter,
        unit="events per parameter", note=note,
    )  # fmt: skip


def _resampled(found: Optimism) -> EstimateFields:
    return {
        "ci_low": found.lower,
        "ci_high": found.upper,
        "ci_level": found.level,
        "ci_type": "bootstrap percentiles, shifted by the optimism",
        "note": f"{found.resamples} resamples, {found.failed} refused; {_NARROW}",
    }


def _held_fixed(found: Optimism, error: float, on_log_scale: bool) -> EstimateFields:
    half = normal_quantile(found.level) * error
    low, high = found.corrected - half, found.corrected + half
    if on_log_scale:
        low, high = found.corrected * math.exp(-half), found.corrected * math.exp(half)
    return {
        "se": error,
        "se_scale": "log" if on_log_scale else "identity",
        "ci_low": low,
        "ci_high": high,
        "ci_level": found.level,
        "ci_type": "normal, predictions held fixed, shifted by the optimism",
        "note": f"{found.resamples} resamples, {found.failed} refused",
    }


def add_performance(
    numbers: Estimates,
    subject: str,
    found: Mapping[str, Optimism],
    errors: Mapping[str, float],
) -> None:
    """Add each measure of each model: corrected with its interval, apparent, and the optimism.

    `errors` holds the standard errors of calibration, which resamples do not show.
    """
    numbers.add(
        subject, "all", "resamples", next(iter(found.values())).resamples, unit="resamples",
    )  # fmt: skip
    for name, one in found.items():
        model, measure, *point = name.split("/")
        if point or measure in _CURVES:
            continue
        fields = (
            _held_fixed(one, errors[name], measure == _RATIO) if name in errors else _resampled(one)
        )
        numbers.add(subject, (model, CORRECTED), measure, one.corrected, **fields)
        numbers.add(subject, (model, APPARENT), measure, one.apparent)
        numbers.add(
            subject, (model, OPTIMISM), measure, one.optimism, se=one.monte_carlo_error,
            se_scale="identity", note="se: error from the finite number of resamples",
        )  # fmt: skip


def add_null(numbers: Estimates, subject: str, found: Mapping[str, PermutationNull]) -> None:
    """Add what the same building finds when outcomes are shuffled between athletes."""
    for name, one in found.items():
        model, measure = name.split("/")
        numbers.add(
            subject, model, measure, one.mean, ci_low=one.lower, ci_high=one.upper,
            ci_level=one.level, ci_type="percentiles of permutations", p=one.p_value,
            statistic=one.apparent, statistic_kind="apparent performance",
            note=f"{one.permutations} permutations, {one.failed} refused; p counts permutations "
            "with an apparent performance at least as high",
        )  # fmt: skip


def point_term(kind: str, model: str, place: int) -> tuple[str, ...]:
    """Return the term of a point of a curve; order of text is order of points."""
    return (kind, model, f"point_{place + 1:02d}")


def add_curves(
    numbers: Estimates,
    subject: str,
    found: Mapping[str, Optimism],
    thresholds: np.ndarray,
    along: np.ndarray,
) -> None:
    """Add net benefit at each threshold and the calibration curve, corrected for optimism.

    The column `statistic` holds the threshold, or the predicted risk.
    """
    for model in (*MODELS, ADDED, ACT_FOR_ALL):
        for place, threshold in enumerate(thresholds.tolist()):
            one = found[key(model, "net_benefit", place)]
            numbers.add(
                subject, point_term("decision", model, place), "net_benefit", one.corrected,
                statistic=threshold, statistic_kind="threshold risk", unit="per athlete",
                **_resampled(one),
            )  # fmt: skip
    for place, risk in enumerate(along.tolist()):
        one = found[key(WITH_METRICS, "observed_risk", place)]
        fields: EstimateFields = {
            "statistic": risk, "statistic_kind": "predicted risk", "unit": "share",
        }  # fmt: skip
        numbers.add(
            subject, point_term("calibration", CORRECTED, place), "observed_risk", one.corrected,
            **fields, **_resampled(one),
        )  # fmt: skip
        numbers.add(
            subject, point_term("calibration", APPARENT, place), "observed_risk", one.apparent,
            **fields,
        )  # fmt: skip
