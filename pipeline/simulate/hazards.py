"""Outcomes after clearance: cause-specific Weibull hazards, whichever comes first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.settings import Cause, Outcomes

Array = NDArray[np.float64]

CAUSES: tuple[Cause, ...] = ("graft_rupture", "contralateral_tear")
ENDS = (*CAUSES, "other_knee_injury", "end_of_sport", "lost", "end_of_study")


@dataclass(frozen=True)
class FollowUp:
    """What ended the follow-up of each athlete: `event` indexes `ENDS`; `days` since clearance."""

    days: NDArray[np.int64]
    event: NDArray[np.int64]


def log_hazard_ratios(
    outcomes: Outcomes, standardised: Mapping[str, Array], age_years: Array, women: Array
) -> dict[Cause, Array]:
    """Return each athlete's log hazard ratio against the baseline, per cause.

    `standardised` maps a metric to the athletes' true predictors in standard deviations.
    """
    table: dict[Cause, Array] = {}
    for cause in CAUSES:
        value = (age_years - outcomes.age_centre_years) * np.log(
            outcomes.age_per_year.hazard_ratio[cause]
        )
        value = value + women * np.log(outcomes.women.hazard_ratio[cause])
        for predictor in outcomes.predictors:
            ratio = predictor.hazard_ratio_per_sd[cause]
            value = value + standardised[predictor.metric] * np.log(ratio)
        table[cause] = value
    return table


def draw_follow_up(
    outcomes: Outcomes,
    log_ratios: Mapping[Cause, Array],
    exponentials: Array,
    without_contralateral: NDArray[np.bool_],
) -> FollowUp:
    """Return the first event of each athlete.

    Parameters
    ----------
    exponentials : (n, 5) independent standard exponential draws, one per possible end
    without_contralateral : athletes both of whose knees are operated; every tear is of a graft

    Notes
    -----
    Cumulative hazard of an end: H (t / horizon)^shape exp(log ratio), solved for t at a standard
    exponential draw. Loss and end of sport come at a constant rate.
    """
    count = len(exponentials)
    horizon = float(outcomes.horizon_days)
    others = {
        "other_knee_injury": (outcomes.other_knee_injury_cumulative_hazard, outcomes.weibull_shape),
        "end_of_sport": (outcomes.end_of_sport_cumulative_hazard, 1.0),
        "lost": (outcomes.lost_cumulative_hazard, 1.0),
    }
    times = np.full((count, len(ENDS)), np.inf)
    for position, end in enumerate(ENDS[:-1]):
        if end in log_ratios:
            hazard = outcomes.cumulative_hazard[CAUSES[position]] * np.exp(
                log_ratios[CAUSES[position]]
            )
            shape = outcomes.weibull_shape
        else:
            hazard, shape = np.full(count, others[end][0]), others[end][1]
        share = exponentials[:, position] / np.maximum(hazard, 1e-300)
        times[:, position] = horizon * share ** (1.0 / shape)
    times[without_contralateral, ENDS.index("contralateral_tear")] = np.inf
    times[:, -1] = horizon
    event = np.argmin(times, axis=1)
    days = np.ceil(times[np.arange(count), event]).astype(np.int64)
    return FollowUp(days=np.clip(days, 1, outcomes.horizon_days), event=event)


def exposures(
    outcomes: Outcomes, followup_days: int, rng: np.random.Generator
) -> list[tuple[int, int]]:
    """Return (month since clearance, athlete-exposures) up to the end of follow-up.

    Poisson counts with one gamma rate per athlete: negative binomial between athletes.
    """
    frailty = rng.gamma(outcomes.exposure_dispersion) / outcomes.exposure_dispersion
    counts = rng.poisson(
        frailty
        * np.repeat(
            [outcomes.exposures_first_year / 12.0, outcomes.exposures_second_year / 12.0], 12
        )
    )
    month_days = 365.25 / 12.0
    rows = []
    for month, count in enumerate(counts):
        share = min(1.0, (followup_days - month * month_days) / month_days)
        if share <= 0.0:
            break
        rows.append((month + 1, round(float(count) * share)))
    return rows
