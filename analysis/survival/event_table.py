"""Counts at each distinct time: at risk, events, censored; the base of the curves and tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.survival.checks import Booleans, Floats, Integers


@dataclass(frozen=True, eq=False)
class EventTable:
    """Counts at T distinct exit times.

    Attributes
    ----------
    times : (T,) distinct times at which someone leaves, ascending
    at_risk : (T,) number under observation just before each time
    events : (T,) or (T, K) events at each time, one column per kind
    censored : (T,) number that leave without event
    """

    times: Floats
    at_risk: Floats
    events: Floats
    censored: Floats


def event_table(
    start: Floats | None, stop: Floats, cause: Integers | Booleans, n_causes: int = 1
) -> EventTable:
    """Count checked data; ``cause`` is 0 (or False) for censored rows, else 1..n_causes.

    A row censored at an event time is still at risk at it.
    """
    times, place = np.unique(stop, return_inverse=True)
    counts = np.bincount(
        place * (n_causes + 1) + cause.astype(np.intp), minlength=times.size * (n_causes + 1)
    ).reshape(times.size, n_causes + 1)
    leaving = counts.sum(axis=1)
    at_risk = np.cumsum(leaving[::-1])[::-1].astype(np.float64)
    if start is not None:
        at_risk -= stop.size - np.searchsorted(np.sort(start), times, side="left")
    events = counts[:, 1:].astype(np.float64)
    return EventTable(
        times, at_risk, events[:, 0] if n_causes == 1 else events, counts[:, 0].astype(np.float64)
    )


def number_at_risk(start: Floats | None, stop: Floats, at: Floats) -> Integers:
    """Count the rows under observation just before each moment ``at`` (entry < at <= exit)."""
    remaining = stop.size - np.searchsorted(np.sort(stop), at, side="left")
    if start is not None:
        remaining -= stop.size - np.searchsorted(np.sort(start), at, side="left")
    return remaining.astype(np.intp)


def step_value(times: Floats, values: Floats, at: Floats, before: float) -> Floats:
    """Evaluate a right-continuous step function; ``before`` holds ahead of the first time."""
    place = np.searchsorted(times, at, side="right")
    return np.concatenate([[before], values])[place]
