"""Incidence rates with exact Poisson intervals, and the exact ratio of two rates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from analysis.survival.checks import confidence_level
from analysis.survival.errors import SurvivalDataError


@dataclass(frozen=True)
class IncidenceRate:
    """Events per ``per`` units of exposure with the exact (Garwood 1936) interval."""

    events: int
    exposure: float
    per: float
    rate: float
    lower: float
    upper: float
    level: float


@dataclass(frozen=True)
class RateRatio:
    """Ratio of two rates with the exact conditional interval and mid-free two-sided p."""

    ratio: float
    lower: float
    upper: float
    p: float
    level: float


def incidence_rate(
    events: int, exposure: float, *, per: float = 1.0, level: float = 0.95
) -> IncidenceRate:
    """Return events per ``per`` units of exposure (e.g. 1000 athlete-exposures).

    Raises
    ------
    SurvivalDataError : a negative or fractional count, or exposure not positive and finite
    """
    _check(events, exposure)
    tail = (1 - confidence_level(level)) / 2
    scale = per / exposure
    lower = 0.0 if events == 0 else float(special.gammaincinv(events, tail))
    upper = float(special.gammaincinv(events + 1, 1 - tail))
    return IncidenceRate(
        int(events),
        float(exposure),
        float(per),
        events * scale,
        lower * scale,
        upper * scale,
        level,
    )


def rate_ratio(
    events: int,
    exposure: float,
    reference_events: int,
    reference_exposure: float,
    *,
    level: float = 0.95,
) -> RateRatio:
    """Compare a rate with a reference rate, given the total number of events.

    The interval is Clopper & Pearson's for the share of events in the first group; p doubles
    the smaller tail (at most 1). Without events in the reference the ratio is infinite.
    """
    _check(events, exposure)
    _check(reference_events, reference_exposure)
    total = int(events + reference_events)
    if total == 0:
        raise SurvivalDataError("events: no event in either group, so the rates have no ratio")
    tail = (1 - confidence_level(level)) / 2
    odds = reference_exposure / exposure
    low = 0.0 if events == 0 else float(special.betaincinv(events, reference_events + 1, tail))
    high = (
        1.0
        if reference_events == 0
        else float(special.betaincinv(events + 1, reference_events, 1 - tail))
    )
    share = exposure / (exposure + reference_exposure)
    at_most = float(special.bdtr(events, total, share))
    at_least = float(special.bdtrc(events - 1, total, share)) if events > 0 else 1.0
    with np.errstate(divide="ignore"):
        ratio = float(np.float64(events) / np.float64(reference_events)) * odds
        upper = float(np.float64(high) / np.float64(1 - high)) * odds
    return RateRatio(
        ratio, low / (1 - low) * odds, upper, min(1.0, 2 * min(at_most, at_least)), level
    )


def _check(events: int, exposure: float) -> None:
    if events < 0 or events != int(events):
        raise SurvivalDataError(f"events: expected a whole number not below 0, found {events}")
    if not (np.isfinite(exposure) and exposure > 0):
        raise SurvivalDataError(f"exposure: expected positive exposure, found {exposure}")
