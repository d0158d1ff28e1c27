"""Restricted mean survival time: the area under the Kaplan-Meier curve up to a horizon."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Floats
from analysis.survival.errors import SurvivalDataError
from analysis.survival.intervals import normal_quantile
from analysis.survival.kaplan_meier import kaplan_meier


@dataclass(frozen=True)
class RestrictedMean:
    """Mean time without event up to ``horizon``, with a normal interval."""

    horizon: float
    mean: float
    standard_error: float
    lower: float
    upper: float
    level: float


def restricted_mean(
    stop: ArrayLike,
    event: ArrayLike,
    horizon: float,
    *,
    start: ArrayLike | None = None,
    level: float = 0.95,
) -> RestrictedMean:
    """Estimate the restricted mean of one group.

    The variance is sum of (area from t to the horizon)^2 d / (n (n - d)) over event times t
    (Irwin 1949; Klein & Moeschberger 2003, section 4.5), as R's `survfit(rmean=)`.

    Raises
    ------
    SurvivalDataError : horizon not positive, or after the last observation while some are
        still without event (the curve is unknown there)
    """
    curve = kaplan_meier(stop, event, start=start, level=level)
    if not horizon > 0:
        raise SurvivalDataError(f"horizon: expected a positive time, found {horizon}")
    if horizon > curve.times[-1] and curve.survival[-1] > 0:
        raise SurvivalDataError(
            f"horizon: {horizon:g} is after the last observation at {curve.times[-1]:g}; "
            "choose an earlier horizon"
        )
    used = curve.times < horizon
    edges = np.concatenate([[0.0], curve.times[used], [float(horizon)]])
    heights = np.concatenate([[1.0], curve.survival[used]])
    areas = heights * np.diff(edges)
    remaining = np.cumsum(areas[::-1])[::-1][1:]
    mean, error = float(areas.sum()), _error(remaining, curve.events[used], curve.at_risk[used])
    z = normal_quantile(level)
    return RestrictedMean(float(horizon), mean, error, mean - z * error, mean + z * error, level)


def _error(remaining: Floats, events: Floats, at_risk: Floats) -> float:
    counted = (events > 0) & (at_risk > events)
    d, n = events[counted], at_risk[counted]
    return float(np.sqrt(np.sum(remaining[counted] ** 2 * d / (n * (n - d)))))
