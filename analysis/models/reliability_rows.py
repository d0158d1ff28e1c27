"""Numbers of variance components as rows of `estimates`: reliability, error, trials needed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates
from analysis.reliability.components import component_reliability, reliability_interval

Array = NDArray[Any]

TARGETS = (0.8, 0.9)
INTERVAL = "parametric bootstrap, percentiles"
LOG_SCALE = "log scale"
AS_SHARE = "share_of_value"
ONE_VISIT = (
    "nobody has two visits: what changes between visits is not known, and is part of the athletes' "
    "variation"
)
_AS_SHARE = ("athlete", "visit", "trial", "error_of_mean", "detectable_change")
"""What is also told as a share of the value where the model is of logarithms: exp(x) - 1."""
_NEEDS_TWO_VISITS = {"visit", "one_trial", "mean_of_trials", "error_of_mean", "detectable_change"}
_KINDS = {
    "athlete": "standard_deviation",
    "visit": "standard_deviation",
    "trial": "standard_deviation",
    "one_trial": "reliability",
    "mean_of_trials": "reliability",
    "within_visit": "reliability",
    "error_of_mean": "standard_error_of_measurement",
    "detectable_change": "detectable_change",
}


@dataclass(frozen=True)
class Deviations:
    """Standard deviations between athletes, visits of an athlete, trials of a visit.

    `visit` is None where nobody was measured at two visits: it is then part of `athlete`. `draws`
    holds bootstrap refits, shape (samples, 3), or nothing.
    """

    athlete: float
    visit: float | None
    trial: float
    draws: Array | None


@dataclass(frozen=True)
class Presented:
    """How the numbers of a group are told: k of its protocol, trials drawn, unit, level."""

    trials: int
    trials_drawn: int
    unit: str
    level: float


def quantities(athlete: Any, visit: Any, trial: Any, trials: int) -> dict[str, Any]:
    """Return every derived quantity from standard deviations (numbers, or arrays of draws).

    Raises
    ------
    ValueError
        All variances are zero.
    """
    single = component_reliability(athlete**2, visit**2, trial**2, 1)
    mean = component_reliability(athlete**2, visit**2, trial**2, trials)
    return {
        "athlete": athlete,
        "visit": visit,
        "trial": trial,
        "one_trial": single.between_visits,
        "mean_of_trials": mean.between_visits,
        "within_visit": mean.within_visit,
        "error_of_mean": mean.standard_error,
        "detectable_change": mean.detectable_change,
    }


def trials_to_reach(found: Deviations, target: float) -> tuple[float | None, str]:
    """Return how many trials at one visit reach a reliability between visits, or why none do.

    athlete^2 / (athlete^2 + visit^2 + trial^2 / k) >= target; without a visit's own variation this
    is the formula of Spearman and Brown.
    """
    if found.visit is None:
        return None, ONE_VISIT
    if found.athlete == 0.0:
        return None, "not reached by any number of trials: athletes do not differ beyond error"
    count = float(_counts(found.athlete, found.visit, found.trial, target))
    if math.isinf(count):
        ceiling = found.athlete**2 / (found.athlete**2 + found.visit**2)
        return None, f"not reached by any number of trials: the ceiling is {ceiling:.2f}"
    return count, ""


def _counts(athlete: Any, visit: Any, trial: Any, target: float) -> Array:
    """Return trials needed, infinite where the ceiling lies below the target."""
    room = np.asarray(athlete) ** 2 * (1.0 / target - 1.0) - np.asarray(visit) ** 2
    needed = np.divide(
        np.asarray(trial) ** 2, room, out=np.full_like(room, np.inf), where=room > 0.0
    )
    counts: Array = np.maximum(1.0, np.ceil(needed - 1e-9))
    return counts


def add_reliability(
    numbers: Estimates, subject: tuple[str, ...], found: Deviations, shown: Presented
) -> None:
    """Add the numbers of one group; with draws each carries a percentile interval."""
    values = quantities(found.athlete, found.visit or 0.0, found.trial, shown.trials)
    drawn = quantities(*found.draws.T, shown.trials) if found.draws is not None else {}
    for term, value in values.items():
        fields: EstimateFields = {"unit": "share" if _KINDS[term] == "reliability" else shown.unit}
        if found.visit is None and term in _NEEDS_TWO_VISITS:
            numbers.add(subject, term, _KINDS[term], None, **{**fields, "note": ONE_VISIT})
            continue
        if term in drawn:
            fields |= _limits(drawn[term], shown.level)
        numbers.add(subject, term, _KINDS[term], float(value), **fields)
        if shown.unit == LOG_SCALE and term in _AS_SHARE:
            add_share(numbers, subject, term, float(value), fields)
    numbers.add(subject, "protocol", "trials", float(shown.trials), unit="trials")
    _add_curve(numbers, subject, found, shown)
    for target in TARGETS:
        _add_trials_needed(numbers, subject, found, target, shown.level)


def _limits(draws: Array, level: float) -> EstimateFields:
    low, high = reliability_interval(draws, level)
    return {"ci_low": low, "ci_high": high, "ci_level": level, "ci_type": INTERVAL}


def add_share(
    numbers: Estimates, subject: tuple[str, ...], term: str, value: float, fields: EstimateFields
) -> None:
    """Add a distance of logarithms as the share by which the larger value exceeds the smaller."""
    shared: EstimateFields = {**fields, "unit": "share"}
    for limit in ("ci_low", "ci_high"):
        if limit in shared:
            shared[limit] = math.expm1(shared[limit])
    numbers.add(subject, term, AS_SHARE, math.expm1(value), **shared)


def curve_term(trials: int) -> str:
    """Return the term of the reliability of the mean of so many trials."""
    return f"mean_of_{trials}"


def _add_curve(
    numbers: Estimates, subject: tuple[str, ...], found: Deviations, shown: Presented
) -> None:
    """Add reliability between visits against the number of trials."""
    if found.visit is None:
        return
    for count in range(1, shown.trials_drawn + 1):
        fields: EstimateFields = {"unit": "share"}
        if found.draws is not None:
            drawn = component_reliability(*np.square(found.draws).T, count)
            fields |= _limits(drawn.between_visits, shown.level)
        value = component_reliability(
            found.athlete**2, found.visit**2, found.trial**2, count
        ).between_visits
        numbers.add(subject, curve_term(count), "reliability", float(value), **fields)


def _add_trials_needed(
    numbers: Estimates, subject: tuple[str, ...], found: Deviations, target: float, level: float
) -> None:
    count, note = trials_to_reach(found, target)
    fields: EstimateFields = {"unit": "trials", "note": note}
    if found.draws is not None and found.visit is not None:
        tail = 50.0 * (1.0 - level)
        low, high = np.percentile(
            _counts(*found.draws.T, target), [tail, 100.0 - tail], method="inverted_cdf"
        )
        fields |= {"ci_level": level, "ci_type": INTERVAL}
        # An infinite limit has no place in a table: it stays empty, and the note says why.
        if math.isfinite(low):
            fields["ci_low"] = float(low)
        if math.isfinite(high):
            fields["ci_high"] = float(high)
        else:
            open_end = "no number of trials is ruled out as too few: the interval is open above"
            fields["note"] = f"{note}; {open_end}" if note else open_end
    numbers.add(subject, f"for_{100 * target:.0f}", "trials_needed", count, **fields)
