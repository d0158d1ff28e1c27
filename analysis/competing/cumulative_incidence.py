"""Aalen-Johansen cumulative incidence of competing events.

One minus Kaplan-Meier of a single cause overstates its risk; this estimator does not.
Sources: Aalen & Johansen 1978; variances: Aalen 1978 with the tie factor of Gray's program, and
the delta-method (Greenwood-type) form of Gaynor 1993 and Marubini & Valsecchi 1995.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Floats, Integers, column, first_rows, follow_up
from analysis.survival.errors import SurvivalDataError
from analysis.survival.event_table import event_table, number_at_risk, step_value
from analysis.survival.intervals import IntervalType, probability_interval

VarianceType = Literal["aalen", "greenwood"]


@dataclass(frozen=True, eq=False)
class CumulativeIncidence:
    """Incidence of K causes at T distinct exit times.

    Attributes
    ----------
    times, at_risk, censored : (T,) counts, at risk just before each time
    causes : (K,) cause codes, ascending, in the order of the columns below
    events, incidence, standard_error, lower, upper : (T, K)
    event_free : (T,) probability of no event of any cause (Kaplan-Meier)
    variance, interval, level : conventions of the standard error and the limits
    """

    times: Floats
    at_risk: Floats
    censored: Floats
    causes: Integers
    events: Floats
    incidence: Floats
    standard_error: Floats
    lower: Floats
    upper: Floats
    event_free: Floats
    variance: VarianceType
    interval: IntervalType
    level: float
    start: Floats | None
    stop: Floats

    def at(self, cause: int, moments: ArrayLike) -> tuple[Floats, Floats, Floats, Floats]:
        """Return incidence, standard error, lower and upper limit of a cause at each moment.

        Raises
        ------
        SurvivalDataError : unknown cause, or a moment after the last observation while some
            are still without event
        """
        k = np.flatnonzero(self.causes == cause)
        if k.size == 0:
            raise SurvivalDataError(f"cause: expected one of {self.causes.tolist()}, found {cause}")
        when = column(moments, "moments")
        if self.event_free[-1] > 0 and (when > self.times[-1]).any():
            raise SurvivalDataError(
                f"moments: {when.max():g} is after the last observation at {self.times[-1]:g}; "
                "the incidence is not known there"
            )
        curves = (self.incidence, self.standard_error, self.lower, self.upper)
        values = [step_value(self.times, curve[:, k[0]], when, 0.0) for curve in curves]
        return values[0], values[1], values[2], values[3]

    def number_at_risk(self, moments: ArrayLike) -> Integers:
        """Count the rows without any event under observation just before each moment."""
        return number_at_risk(self.start, self.stop, column(moments, "moments"))


def cumulative_incidence(
    stop: ArrayLike,
    cause: ArrayLike,
    *,
    start: ArrayLike | None = None,
    variance: VarianceType = "aalen",
    interval: IntervalType = "log-log",
    level: float = 0.95,
) -> CumulativeIncidence:
    """Estimate the cumulative incidence of each cause in one group.

    Parameters
    ----------
    stop, start : (n,) times; a row is at risk in ``(start, stop]``
    cause : (n,) whole numbers, 0 censored, 1, 2, ... what ended the observation
    variance : ``aalen`` (as cmprsk for R) or ``greenwood`` (delta method)
    interval : ``log-log`` is symmetric in log(-log(incidence))
    """
    start_time, stop_time, codes = competing_follow_up(stop, cause, start)
    causes, columns = np.unique(codes[codes > 0], return_inverse=True)
    dense = np.zeros(codes.size, dtype=np.intp)
    dense[codes > 0] = columns + 1
    table = event_table(start_time, stop_time, dense, max(causes.size, 1))
    events = table.events.reshape(table.times.size, -1)[:, : causes.size]
    total = events.sum(axis=1)
    event_free = np.cumprod(1 - total / table.at_risk)
    before = np.concatenate([[1.0], event_free[:-1]])
    incidence = np.cumsum((before / table.at_risk)[:, None] * events, axis=0)
    formula = _greenwood_variance if variance == "greenwood" else _aalen_variance
    squares = np.column_stack(
        [formula(table.at_risk, events[:, k], total, before) for k in range(causes.size)]
        or [np.zeros((table.times.size, 0))]
    )
    error = np.sqrt(np.maximum(squares, 0.0))
    lower, upper = probability_interval(incidence, error, interval, level)
    return CumulativeIncidence(
        times=table.times,
        at_risk=table.at_risk,
        censored=table.censored,
        causes=causes,
        events=events,
        incidence=incidence,
        standard_error=error,
        lower=lower,
        upper=upper,
        event_free=event_free,
        variance=variance,
        interval=interval,
        level=level,
        start=start_time,
        stop=stop_time,
    )


def competing_follow_up(
    stop: ArrayLike, cause: ArrayLike, start: ArrayLike | None = None
) -> tuple[Floats | None, Floats, Integers]:
    """Return checked ``(start, stop, cause)``; causes are whole numbers, 0 for censored."""
    values = column(cause, "cause")
    bad = (values < 0) | (values != np.floor(values))
    if bad.any():
        raise SurvivalDataError(
            f"cause: expected whole numbers, 0 for censored, found {first_rows(bad, values)}"
        )
    start_time, stop_time, _ = follow_up(stop, values > 0, start)
    return start_time, stop_time, values.astype(np.intp)


def _aalen_variance(at_risk: Floats, events: Floats, total: Floats, before: Floats) -> Floats:
    """Sum the Poisson-type variance with the hypergeometric tie factor (Gray's program)."""
    other = total - events
    after = before * (1 - total / at_risk)
    incidence = np.cumsum(before * events / at_risk)
    inverse = np.divide(1.0, after, out=np.zeros_like(after), where=after > 0)
    own = _tied_variance(events, at_risk) * before**2
    competing = np.where(after > 0, _tied_variance(other, at_risk) * before**2, 0.0)
    # I(t) changes with the hazards at s by S(s-) times (own) 1 + (I(s) - I(t)) / S(s) and
    # (other) (I(s) - I(t)) / S(s); expanded in I(t), so that sums over s do.
    one = 1 + inverse * incidence
    two = inverse * incidence
    constant = np.cumsum(one**2 * own + two**2 * competing)
    linear = np.cumsum(inverse * (one * own + two * competing))
    square = np.cumsum(inverse**2 * (own + competing))
    return constant - 2 * incidence * linear + incidence**2 * square


def _tied_variance(events: Floats, at_risk: Floats) -> Floats:
    factor = 1 - np.where(events > 1, (events - 1) / np.maximum(at_risk - 1, 1), 0.0)
    return factor * events / at_risk**2


def _greenwood_variance(at_risk: Floats, events: Floats, total: Floats, before: Floats) -> Floats:
    """Sum the multinomial (delta-method) variance.

    Var I(t) = sum over s <= t of (I(t)-I(s))^2 d/(n(n-d)) + S(s-)^2 d1 (n-d1)/n^3
    - 2 (I(t)-I(s)) S(s-) d1/n^2, with d all events and d1 those of the cause at s.
    """
    left = at_risk - total
    incidence = np.cumsum(before * events / at_risk)
    # Where nobody is left, I(t) = I(s) for all later t, and the first and last term vanish.
    pooled = np.divide(total, at_risk * left, out=np.zeros_like(total), where=left > 0)
    own = before**2 * events * (at_risk - events) / at_risk**3
    cross = np.where(left > 0, before * events / at_risk**2, 0.0)
    constant = np.cumsum(incidence**2 * pooled + own + 2 * incidence * cross)
    linear = np.cumsum(incidence * pooled + cross)
    return constant - 2 * incidence * linear + incidence**2 * np.cumsum(pooled)
