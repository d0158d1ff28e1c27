"""Kaplan-Meier and Nelson-Aalen curves.

Sources: Kaplan & Meier 1958; Greenwood 1926; Aalen 1978; intervals: see intervals.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Floats, Integers, column, follow_up
from analysis.survival.errors import SurvivalDataError
from analysis.survival.event_table import EventTable, event_table, number_at_risk, step_value
from analysis.survival.intervals import IntervalType, normal_quantile, probability_interval


@dataclass(frozen=True)
class Quantile:
    """Time by which a share has had the event; ``inf`` where the curve never gets there."""

    probability: float
    time: float
    lower: float
    upper: float


@dataclass(frozen=True, eq=False)
class KaplanMeier:
    """A survival curve at T distinct exit times.

    Attributes
    ----------
    times, at_risk, events, censored : (T,) counts, at risk just before each time
    survival : (T,) probability of no event up to and including each time
    standard_error : (T,) Greenwood; NaN once the curve is at zero (nobody is left)
    lower, upper : (T,) pointwise limits of the named interval type
    """

    times: Floats
    at_risk: Floats
    events: Floats
    censored: Floats
    survival: Floats
    standard_error: Floats
    lower: Floats
    upper: Floats
    interval: IntervalType
    level: float
    start: Floats | None
    stop: Floats

    def at(self, moments: ArrayLike) -> tuple[Floats, Floats, Floats, Floats]:
        """Return survival, standard error, lower and upper limit at each moment.

        Raises
        ------
        SurvivalDataError : a moment after the last observation while the curve is above zero
        """
        when = column(moments, "moments")
        if self.survival[-1] > 0 and (when > self.times[-1]).any():
            raise SurvivalDataError(
                f"moments: {when.max():g} is after the last observation at {self.times[-1]:g}; "
                "the curve is not known there"
            )
        return (
            step_value(self.times, self.survival, when, 1.0),
            step_value(self.times, self.standard_error, when, 0.0),
            step_value(self.times, self.lower, when, 1.0),
            step_value(self.times, self.upper, when, 1.0),
        )

    def number_at_risk(self, moments: ArrayLike) -> Integers:
        """Count the rows under observation just before each moment."""
        return number_at_risk(self.start, self.stop, column(moments, "moments"))

    def quantile(self, probability: float = 0.5) -> Quantile:
        """Return the time at which ``probability`` has had the event, with its limits.

        The limits are where the limits of the curve cross (Brookmeyer & Crowley 1982), so they
        are of the same interval type. A limit that is not reached stays open (``inf``).
        """
        if not 0 < probability < 1:
            raise SurvivalDataError(f"probability: expected in (0, 1), found {probability}")
        remaining = 1 - probability
        return Quantile(
            probability,
            _crossing(self.times, self.survival, remaining),
            _crossing(self.times, self.lower, remaining),
            _crossing(self.times, self.upper, remaining),
        )


def kaplan_meier(
    stop: ArrayLike,
    event: ArrayLike,
    *,
    start: ArrayLike | None = None,
    interval: IntervalType = "log-log",
    level: float = 0.95,
) -> KaplanMeier:
    """Estimate the survival curve of one group.

    Parameters
    ----------
    stop, event, start : (n,) columns; a row is at risk in ``(start, stop]``
    interval, level : type and level of the pointwise intervals
    """
    start_time, stop_time, happened = follow_up(stop, event, start)
    table = event_table(start_time, stop_time, happened)
    survival, error = survival_and_greenwood(table)
    lower, upper = probability_interval(survival, error, interval, level)
    return KaplanMeier(
        times=table.times,
        at_risk=table.at_risk,
        events=table.events,
        censored=table.censored,
        survival=survival,
        standard_error=error,
        lower=lower,
        upper=upper,
        interval=interval,
        level=level,
        start=start_time,
        stop=stop_time,
    )


def survival_and_greenwood(table: EventTable) -> tuple[Floats, Floats]:
    """Return the survival curve and its Greenwood standard error (NaN where survival is 0)."""
    survival = np.cumprod(1 - table.events / table.at_risk)
    left = table.at_risk - table.events
    alive = np.cumprod(left > 0) > 0
    terms = np.zeros_like(survival)
    terms[alive] = table.events[alive] / (table.at_risk[alive] * left[alive])
    error = survival * np.sqrt(np.cumsum(terms))
    return np.where(alive, survival, 0.0), np.where(alive, error, np.nan)


def _crossing(times: Floats, curve: Floats, level: float) -> float:
    """Return the first time at or below ``level``; the midpoint of a flat piece exactly at it."""
    tolerance = 1e-10
    below = np.flatnonzero(curve <= level + tolerance)
    if below.size == 0:
        return float("inf")
    first = int(below[0])
    if abs(curve[first] - level) > tolerance:
        return float(times[first])
    further = np.flatnonzero(curve < level - tolerance)
    return float((times[first] + times[further[0]]) / 2) if further.size else float(times[first])


@dataclass(frozen=True, eq=False)
class NelsonAalen:
    """Cumulative hazard at T distinct exit times, without tie smoothing.

    ``standard_error`` is Aalen's (sum of d/n^2); the interval is symmetric on the log scale.
    """

    times: Floats
    at_risk: Floats
    events: Floats
    cumulative_hazard: Floats
    standard_error: Floats
    lower: Floats
    upper: Floats
    level: float


def nelson_aalen(
    stop: ArrayLike, event: ArrayLike, *, start: ArrayLike | None = None, level: float = 0.95
) -> NelsonAalen:
    """Estimate the cumulative hazard of one group; arguments as for :func:`kaplan_meier`."""
    start_time, stop_time, happened = follow_up(stop, event, start)
    table = event_table(start_time, stop_time, happened)
    hazard = np.cumsum(table.events / table.at_risk)
    error = np.sqrt(np.cumsum(table.events / table.at_risk**2))
    positive = hazard > 0
    factor = np.ones_like(hazard)
    factor[positive] = np.exp(normal_quantile(level) * error[positive] / hazard[positive])
    return NelsonAalen(
        table.times,
        table.at_risk,
        table.events,
        hazard,
        error,
        hazard / factor,
        hazard * factor,
        level,
    )
