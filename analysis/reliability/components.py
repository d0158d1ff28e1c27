"""Reliability of a landing metric from its variance components: athlete, visit, trial.

The reliability that dilutes an association is that between visits: what the mean of k trials at one
visit tells of the athlete. Within-visit reliability takes the visit's own deviation as truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.reliability.measurement_error import NORMAL_95


@dataclass(frozen=True)
class ComponentReliability:
    """Reliability of the mean of `trials` trials at one visit; fields may be arrays.

    Attributes
    ----------
    between_visits
        s_athlete^2 / (s_athlete^2 + s_visit^2 + s_trial^2 / k).
    within_visit
        (s_athlete^2 + s_visit^2) / (the same sum).
    standard_error
        sqrt(s_visit^2 + s_trial^2 / k): error of one visit about the athlete.
    detectable_change
        1.96 sqrt(2) standard_error.
    """

    trials: int
    between_visits: NDArray[Any]
    within_visit: NDArray[Any]
    standard_error: NDArray[Any]
    detectable_change: NDArray[Any]


def component_reliability(
    athlete: ArrayLike, visit: ArrayLike, trial: ArrayLike, trials: int
) -> ComponentReliability:
    """Return reliability from variances (scalars, or equally long arrays of bootstrap draws).

    `visit` is zero when every athlete has one visit. Where all variances are zero the reliability
    is not defined and ValueError is raised.
    """
    between, session, error = (np.asarray(v, dtype=float) for v in (athlete, visit, trial))
    for name, values in (("athlete", between), ("visit", session), ("trial", error)):
        if not np.all(values >= 0.0):
            raise ValueError(f"variance of {name} is negative or missing: {values.min()}")
    if trials < 1:
        raise ValueError(f"mean of {trials} trials; expected at least one")
    total = between + session + error / trials
    if np.any(total == 0.0):
        raise ValueError("all variances are zero: a reliability is not defined")
    spread = np.sqrt(session + error / trials)
    return ComponentReliability(
        trials=trials,
        between_visits=between / total,
        within_visit=(between + session) / total,
        standard_error=spread,
        detectable_change=NORMAL_95 * np.sqrt(2.0) * spread,
    )


def reliability_interval(draws: ArrayLike, level: float = 0.95) -> tuple[float, float]:
    """Return percentile limits of a reliability computed from bootstrap draws of the variances."""
    values = np.asarray(draws, dtype=float)
    if values.ndim != 1 or values.size < 2 or not np.all(np.isfinite(values)):
        raise ValueError(f"{values.size} draws; expected a list of at least two finite values")
    tail = 50.0 * (1.0 - level)
    low, high = np.percentile(values, [tail, 100.0 - tail])
    return float(low), float(high)
