"""How long and how completely a cohort was followed."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import column, event_indicator, first_rows
from analysis.survival.errors import SurvivalDataError
from analysis.survival.intervals import IntervalType
from analysis.survival.kaplan_meier import KaplanMeier, kaplan_meier


def reverse_kaplan_meier(
    stop: ArrayLike,
    event: ArrayLike,
    *,
    start: ArrayLike | None = None,
    interval: IntervalType = "log-log",
    level: float = 0.95,
) -> KaplanMeier:
    """Return the curve of time under observation: censoring is the event, the event censors.

    Its median is the median follow-up (Schemper & Smith 1996).
    """
    time = column(stop, "stop")
    ended = event_indicator(event, time.size)
    return kaplan_meier(time, ~ended, start=start, interval=interval, level=level)


def completeness(observed: ArrayLike, possible: ArrayLike, event: ArrayLike) -> float:
    """Return Clark's C: observed person-time over the person-time that was possible.

    Parameters
    ----------
    observed : (n,) time to event or last contact
    possible : (n,) time from start to the closing date of the study
    event : (n,) 1 if the event happened; such a row counts as completely followed

    Source: Clark, Altman & De Stavola 2002, Lancet 359:1309.
    """
    seen = column(observed, "observed")
    potential = column(possible, "possible", seen.size)
    happened = event_indicator(event, seen.size)
    bad = (seen < 0) | (potential <= 0) | (seen > potential)
    if bad.any():
        raise SurvivalDataError(
            f"possible: expected a positive time not before the last contact in {first_rows(bad)}"
        )
    return float(seen.sum() / np.where(happened, seen, potential).sum())
