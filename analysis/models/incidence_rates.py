"""Step: rates of second injury per athlete-exposure and per person-year, with exact intervals."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import events_of, landmark_rows, reason_not_to_run
from analysis.cohort.outcomes import DAYS_PER_MONTH
from analysis.estimates import Estimates, refusals, write_estimates
from analysis.models.follow_up import follow_up_numbers
from analysis.models.group_comparison import (
    EVENT_FREE,
    RATIOS,
    event_free_numbers,
    ratio_numbers,
)
from analysis.models.grouped import groups_of
from analysis.survival.incidence import incidence_rate
from shared.tables import read_table

STEP = "analysis.models.incidence_rates:incidence_rates"

DAYS_PER_YEAR = 12 * DAYS_PER_MONTH


@dataclass(frozen=True)
class Denominator:
    """What events are divided by: a column of the cohort in steps of `unit_size`."""

    quantity: str
    column: str
    unit_size: float
    unit: str


DENOMINATORS = (
    Denominator(
        "rate_per_100_person_years",
        "followup_days",
        100 * DAYS_PER_YEAR,
        "per 100 person-years",
    ),
    Denominator(
        "rate_per_1000_athlete_exposures",
        "athlete_exposures",
        1000,
        "per 1,000 athlete-exposures",
    ),
)


def _add_rates(
    numbers: Estimates, group: str, rows: pd.DataFrame, per: Denominator, plan: dict[str, Any]
) -> None:
    known = rows.loc[rows[per.column].notna()]
    amount = float(known[per.column].sum())
    for name, outcome in plan["outcomes"].items():
        events = int(events_of(known, outcome["events"]).sum())
        if amount == 0:
            numbers.not_run((name, per.quantity), f"no exposure is known: {group}", outcome=name)
            continue
        found = incidence_rate(
            events, amount, per=per.unit_size, level=float(plan["confidence_level"])
        )
        numbers.add(
            name,
            group,
            per.quantity,
            found.rate,
            outcome=name,
            unit=per.unit,
            ci_low=found.lower,
            ci_high=found.upper,
            n_athletes=len(known),
            n_events=events,
            rows_dropped=len(rows) - len(known),
        )


def rate_numbers(cohort: pd.DataFrame, plan: dict[str, Any]) -> Estimates:
    """Return rates of every outcome, over all athletes and by the plan's group.

    Athletes without an exposure log count for person-years only; they are `rows_dropped` of the
    rate per athlete-exposure.
    """
    numbers = Estimates(
        "incidence_rates",
        model="Poisson",
        estimation="events / exposure",
        ci_type="exact Poisson",
        ci_level=float(plan["confidence_level"]),
        horizon_days=float(plan["horizon_days"]),
        censoring="events of the outcome up to the end of observation, at the latest the horizon",
    )
    for group, rows in groups_of(cohort, plan["cumulative_incidence"]["group"]):
        years = float(rows["followup_days"].sum()) / DAYS_PER_YEAR
        numbers.add("exposure", group, "person_years", years, unit="a", n_athletes=len(rows))
        exposures = float(rows["athlete_exposures"].sum())
        numbers.add("exposure", group, "athlete_exposures", exposures, n_athletes=len(rows))
        for per in DENOMINATORS:
            _add_rates(numbers, group, rows, per, plan)
    return numbers


def incidence_rates(
    *, cohort: Path, estimates: Path, plan: dict[str, Any], freeze: dict[str, Any]
) -> None:
    """Write rates, their ratios, mean time free of any end and how complete the follow-up is."""
    rows = landmark_rows(read_table(cohort))
    if reason := reason_not_to_run(freeze):
        found = refusals(("incidence_rates", "follow_up", RATIOS, EVENT_FREE), "all", reason)
    else:
        divided_by = {per.quantity: per.column for per in DENOMINATORS}
        found = [
            rate_numbers(rows, plan),
            follow_up_numbers(rows, plan),
            ratio_numbers(rows, plan, divided_by),
            event_free_numbers(rows, plan),
        ]
    write_estimates(estimates, *found, step=STEP, inputs={"cohort": cohort})
