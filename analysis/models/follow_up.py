"""How long and how completely the landmark cohort was followed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analysis.estimates import Estimates
from analysis.survival.errors import SurvivalDataError
from analysis.survival.follow_up import completeness, reverse_kaplan_meier


def follow_up_numbers(cohort: pd.DataFrame, plan: dict[str, Any]) -> Estimates:
    """Return the median follow-up by reverse Kaplan-Meier and Clark's completeness.

    Loss ends the follow-up that was possible up to the horizon; an event completes it.
    """
    horizon = float(plan["horizon_days"])
    numbers = Estimates(
        "follow_up",
        horizon_days=horizon,
        n_athletes=len(cohort),
        n_events=int((cohort["cause"] > 0).sum()),
    )
    days = cohort["followup_days"].to_numpy(dtype=float)
    ended = (cohort["cause"] > 0).to_numpy()
    try:
        curve = reverse_kaplan_meier(days, ended, level=float(plan["confidence_level"]))
        median = curve.quantile(0.5)
        share = completeness(days, np.full(days.size, horizon), ended)
    except SurvivalDataError as error:
        numbers.not_run("all", str(error))
        return numbers
    numbers.add(
        "all",
        "median",
        "follow_up_days",
        _known(median.time),
        unit="d",
        ci_low=_known(median.lower),
        ci_high=_known(median.upper),
        ci_type="log-log, Brookmeyer-Crowley",
        ci_level=float(plan["confidence_level"]),
        model="reverse Kaplan-Meier",
        censoring="every event or other end censors the time under observation",
        note="an open limit is empty: the curve does not reach it before the horizon",
    )
    numbers.add(
        "all",
        "all",
        "completeness",
        share,
        unit="share",
        model="Clark's C",
        note="observed over possible person-time; an athlete with an event or other end counts "
        "as completely followed",
    )
    return numbers


def _known(days: float) -> float:
    return days if np.isfinite(days) else float("nan")
