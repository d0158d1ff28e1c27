"""Weights that give back, on average, the rows that censoring hides.

G(t) is the Kaplan-Meier estimate of staying uncensored beyond t. At tied times events come
before censorings, so rows with an event leave the risk set of censoring first; with this
convention G(t-) times the probability of no event beyond t- is the observed share still under
observation, and weighted shares equal Kaplan-Meier and Aalen-Johansen exactly.

Sources: Robins & Rotnitzky 1992; Graf et al. 1999; Gerds & Schumacher 2006.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.competing.cumulative_incidence import competing_follow_up
from analysis.survival.checks import Booleans, Floats, Integers
from analysis.survival.errors import SurvivalDataError
from analysis.survival.event_table import event_table, step_value


@dataclass(frozen=True, eq=False)
class Censoring:
    """Kaplan-Meier of censoring at T distinct exit times.

    Attributes
    ----------
    times : (T,) ascending
    at_risk : (T,) rows that could be censored at each time: events of that time have left
    censored : (T,) number censored
    uncensored : (T,) G(t), right-continuous
    """

    times: Floats
    at_risk: Floats
    censored: Floats
    uncensored: Floats

    def at(self, moments: Floats) -> Floats:
        """Return G(t): the probability of being uncensored up to and including each moment."""
        return step_value(self.times, self.uncensored, moments, 1.0)

    def before(self, moments: Floats) -> Floats:
        """Return G(t-): the left-continuous version."""
        place = np.searchsorted(self.times, moments, side="left")
        return np.concatenate([[1.0], self.uncensored])[place]


def censoring_survival(stop: Floats, happened: Booleans) -> Censoring:
    """Estimate G from checked columns; ``happened`` marks an event of any cause (n,)."""
    table = event_table(None, stop, happened)
    at_risk = table.at_risk - table.events
    share = np.divide(table.censored, at_risk, out=np.zeros_like(at_risk), where=at_risk > 0)
    return Censoring(table.times, at_risk, table.censored, np.cumprod(1 - share))


@dataclass(frozen=True, eq=False)
class HorizonSample:
    """Who had which event by the horizon, and the weight that stands for the censored.

    Attributes
    ----------
    stop, cause : (n,) follow-up, as given
    weights : (n,) 1/G(time-) with an event of any cause by the horizon, 1/G(horizon) when
        observed beyond it, 0 when censored by then; they sum to n
    case : (n,) event of the cause of interest by the horizon
    other : (n,) event of another cause by the horizon
    event_free : (n,) observed beyond the horizon
    """

    stop: Floats
    cause: Integers
    horizon: float
    of_interest: int
    censoring: Censoring
    weights: Floats
    case: Booleans
    other: Booleans
    event_free: Booleans

    @property
    def n(self) -> int:
        """Number of rows."""
        return self.stop.size

    @property
    def risk(self) -> float:
        """Weighted share with the event of interest by the horizon (Aalen-Johansen)."""
        return float(self.weights[self.case].sum() / self.n)

    def influence_of_censoring(self, terms: Floats) -> Floats:
        """Return how a sum of weighted terms moves, per row, because G is estimated.

        Parameters
        ----------
        terms : (n,) the addends of the statistic, weights included

        Returns
        -------
        (n,) derivative of the sum with respect to the case weight of each row through G
        """
        times, at_risk = self.censoring.times, self.censoring.at_risk
        up_to = np.where(self.event_free, np.inf, self.stop)
        order = np.argsort(up_to, kind="stable")
        tail = np.concatenate([np.cumsum(terms[order][::-1])[::-1], [0.0]])
        later = tail[np.searchsorted(up_to[order], times, side="right")]
        counts = times <= self.horizon
        inverse = np.divide(later * counts, at_risk, out=np.zeros_like(later), where=at_risk > 0)
        hazard = np.divide(
            self.censoring.censored, at_risk, out=np.zeros_like(at_risk), where=at_risk > 0
        )
        place = np.searchsorted(times, self.stop)
        is_censored = self.cause == 0
        compensator = np.concatenate([[0.0], np.cumsum(inverse * hazard)])
        exposed = compensator[place + is_censored]
        return np.where(is_censored, inverse[place], 0.0) - exposed


def horizon_sample(
    stop: ArrayLike, cause: ArrayLike, horizon: float, *, of_interest: int = 1
) -> HorizonSample:
    """Classify checked rows at a horizon and weight them.

    Parameters
    ----------
    stop : (n,) time of event or end of observation
    cause : (n,) 0 censored, 1, 2, ...; with a single event its 0/1 indicator
    horizon : time since the start at which the prediction is judged
    of_interest : the cause that is predicted

    Raises
    ------
    SurvivalDataError : no event of interest by the horizon, or nobody observed up to it
    """
    _, time, codes = competing_follow_up(stop, cause)
    moment = checked_horizon(horizon, time, codes)
    happened = codes > 0
    by_then = time <= moment
    case = by_then & (codes == of_interest)
    if not case.any():
        raise SurvivalDataError(
            f"cause: no row has the event {of_interest} by the horizon {moment:g}; performance "
            "cannot be judged there: take a later horizon or say that it was not estimable"
        )
    censoring = censoring_survival(time, happened)
    event_free = ~by_then
    weights = np.zeros(time.size)
    early = by_then & happened
    weights[early] = 1 / censoring.before(time[early])
    if event_free.any():
        weights[event_free] = 1 / censoring.at(np.array([moment]))[0]
    return HorizonSample(
        stop=time,
        cause=codes,
        horizon=moment,
        of_interest=of_interest,
        censoring=censoring,
        weights=weights,
        case=case,
        other=early & ~case,
        event_free=event_free,
    )


def checked_horizon(horizon: float, stop: Floats, cause: Integers) -> float:
    """Return the horizon if the data reach it.

    The data reach it when a row is observed beyond it, or when nobody is left because the last
    rows all had an event: then G is positive wherever a weight is needed.
    """
    if not (np.isfinite(horizon) and horizon > 0):
        raise SurvivalDataError(f"horizon: expected a positive time, found {horizon}")
    last = float(stop.max())
    if last <= horizon and (cause[stop == last] == 0).any():
        raise SurvivalDataError(
            f"horizon: {horizon:g} is not before the last observation at {last:g}, which is "
            "censored; nobody stands for the censored beyond it (G = 0): take an earlier horizon"
        )
    return float(horizon)


def predicted_risks(predicted: ArrayLike, shape: tuple[int, ...]) -> Floats:
    """Return predicted risks if they have the shape and lie in [0, 1]."""
    values = np.asarray(predicted, dtype=np.float64)
    if values.shape != shape:
        raise SurvivalDataError(f"predicted: expected shape {shape}, found {values.shape}")
    bad = ~((values >= 0) & (values <= 1))
    if bad.any():
        first = tuple(int(i) for i in np.argwhere(bad)[0])
        raise SurvivalDataError(
            f"predicted: expected risks in [0, 1], found {values[first]} in row {first[0]}"
        )
    return values
