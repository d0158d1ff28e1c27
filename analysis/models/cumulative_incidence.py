"""Step: cumulative incidence by cause, Aalen-Johansen, overall and by the plan's group, with tests.

Other knee injury and end of sport end an athlete's exposure to the risk. Here they compete, so
the incidence is that of the cohort as it lives (a second injury while still in sport). The
companion analysis `cumulative_incidence_others_censored` treats them as censoring: what would be
if nobody left sport, were leaving unrelated to risk.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import SECOND_INJURIES, landmark_rows, reason_not_to_run
from analysis.cohort.outcomes import CAUSES
from analysis.competing.cumulative_incidence import CumulativeIncidence, cumulative_incidence
from analysis.estimates import EstimateFields, Estimates, refusals, write_estimates
from analysis.models.group_comparison import TESTS, group_test_numbers
from analysis.models.grouped import groups_of
from analysis.survival.errors import SurvivalDataError
from shared.tables import read_table

STEP = "analysis.models.cumulative_incidence:incidence_curves"

OTHER_END = 3
RISK_TABLE_STEPS = 8
"""Numbers at risk are given at the horizon's eighths and at the plan's times."""


def day_term(day: float) -> str:
    """Return a time point as part of an address; order of text is order of time."""
    text = f"{day:07.1f}".replace(".", "_")
    return "day_" + text.removesuffix("_0")


def estimate_curve(
    rows: pd.DataFrame, plan: dict[str, Any], competing: bool
) -> CumulativeIncidence:
    """Return the curves of both second injuries; other ends compete, or else censor."""
    cause = rows["cause"] if competing else rows["cause"].where(rows["cause"] != OTHER_END, 0)
    return cumulative_incidence(
        rows["followup_days"].to_numpy(dtype=float),
        cause.to_numpy(),
        interval=plan["cumulative_incidence"]["interval"],
        level=float(plan["confidence_level"]),
    )


def _conventions(rows: pd.DataFrame, plan: dict[str, Any], competing: bool) -> EstimateFields:
    ends = "other knee injury and end of sport " + ("compete" if competing else "censor")
    return {
        "model": "Aalen-Johansen",
        "family": "secondary" if competing else "descriptive",
        "estimation": "Aalen-Johansen, Aalen variance",
        "ci_type": plan["cumulative_incidence"]["interval"],
        "ci_level": float(plan["confidence_level"]),
        "se_scale": "identity",
        "horizon_days": float(plan["horizon_days"]),
        "censoring": f"the other second injury competes; {ends}; loss and end of study censor",
        "n_athletes": len(rows),
        "unit": "share",
    }


def _add_points(
    numbers: Estimates, group: str, curve: CumulativeIncidence, days: Sequence[float]
) -> None:
    for cause in SECOND_INJURIES:
        code = CAUSES[cause]
        if code not in curve.causes:
            numbers.not_run((cause, group), "no event of this kind", outcome=cause)
            continue
        column = int(np.flatnonzero(curve.causes == code)[0])
        for day in days:
            try:
                value, error, low, high = (float(part[0]) for part in curve.at(code, [day]))
            except SurvivalDataError as refusal:
                numbers.not_run((cause, group, day_term(day)), str(refusal), outcome=cause)
                continue
            begun = error > 0
            numbers.add(
                cause,
                (group, day_term(day)),
                "cumulative_incidence",
                value,
                outcome=cause,
                time_days=day,
                se=error if begun else math.nan,
                ci_low=low if begun else math.nan,
                ci_high=high if begun else math.nan,
                note="" if begun else "no event yet, so this estimator has no interval",
                n_events=int(curve.events[curve.times <= day, column].sum()),
            )


def _add_steps(numbers: Estimates, group: str, curve: CumulativeIncidence) -> None:
    for cause in SECOND_INJURIES:
        if CAUSES[cause] not in curve.causes:
            continue
        column = int(np.flatnonzero(curve.causes == CAUSES[cause])[0])
        events = curve.events[:, column]
        for step in np.flatnonzero(events > 0):
            numbers.add(
                cause,
                (group, day_term(float(curve.times[step]))),
                "cumulative_incidence",
                float(curve.incidence[step, column]),
                outcome=cause,
                time_days=float(curve.times[step]),
                se=float(curve.standard_error[step, column]),
                ci_low=float(curve.lower[step, column]),
                ci_high=float(curve.upper[step, column]),
                n_events=int(events[: step + 1].sum()),
                n_athletes=int(curve.at_risk[step]),
                note="n_athletes: at risk just before the event",
            )


def _risk_days(plan: dict[str, Any]) -> list[float]:
    horizon = float(plan["horizon_days"])
    eighths = [round(horizon * part / RISK_TABLE_STEPS, 1) for part in range(RISK_TABLE_STEPS + 1)]
    return sorted({*eighths, *map(float, plan["cumulative_incidence"]["times_days"])})


def _add_risk_table(
    numbers: Estimates, group: str, curve: CumulativeIncidence, days: Sequence[float]
) -> None:
    for day, count in zip(days, curve.number_at_risk(list(days)), strict=True):
        numbers.add(
            "at_risk",
            (group, day_term(day)),
            "number_at_risk",
            int(count),
            time_days=day,
            unit="athletes",
            note="under observation and free of any event just before this day",
        )


def incidence_numbers(cohort: pd.DataFrame, plan: dict[str, Any]) -> list[Estimates]:
    """Return the incidence at the plan's times, as curves, and with other ends censored."""
    times = [float(day) for day in plan["cumulative_incidence"]["times_days"]]
    found = []
    for group, rows in groups_of(cohort, plan["cumulative_incidence"]["group"]):
        for competing, analysis in (
            (True, "cumulative_incidence"),
            (False, "cumulative_incidence_others_censored"),
        ):
            shared = _conventions(rows, plan, competing)
            at_times = Estimates(analysis, **shared)
            found.append(at_times)
            try:
                curve = estimate_curve(rows, plan, competing)
            except SurvivalDataError as error:
                at_times.not_run(("all", group), str(error))
                continue
            _add_points(at_times, group, curve, times)
            if competing:
                steps = Estimates("cumulative_incidence_curve", **shared)
                _add_steps(steps, group, curve)
                _add_risk_table(steps, group, curve, _risk_days(plan))
                found.append(steps)
    return found


def incidence_curves(
    *, cohort: Path, estimates: Path, plan: dict[str, Any], freeze: dict[str, Any]
) -> None:
    """Write cumulative incidences, numbers at risk and tests between groups."""
    rows = landmark_rows(read_table(cohort))
    if reason := reason_not_to_run(freeze):
        found = refusals(["cumulative_incidence", TESTS], "all", reason)
    else:
        found = [*incidence_numbers(rows, plan), group_test_numbers(rows, plan)]
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort})
