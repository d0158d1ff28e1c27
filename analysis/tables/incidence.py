"""Table: cumulative incidence at the times of the plan, and rates per exposure."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from analysis.estimates import number_id
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Ledger, setting
from analysis.tables.journal import Cell, JournalTable, Row, with_interval

TITLE = "Cumulative incidence of second injury, and injury rates"

_RATES = ("rate_per_100_person_years", "rate_per_1000_athlete_exposures")


def _interval(ledger: Ledger, address: str, style: str) -> Cell:
    estimate, low, high = (
        ledger.number(address, style, field=field) for field in ("estimate", "ci_low", "ci_high")
    )
    return with_interval(estimate, low, high)


def _groups(context: Context, outcome: str) -> list[str]:
    rows = context.estimates
    chosen = rows.loc[
        (rows["analysis"] == "incidence_rates")
        & (rows["outcome"] == outcome)
        & (rows["quantity"] == _RATES[0])
    ]
    groups = list(chosen["term"])
    return sorted(groups, key=lambda group: (group != "all", group))


def _incidences(context: Context, ledger: Ledger, outcome: str, group: str) -> Iterator[Cell]:
    for days in context.plan["cumulative_incidence"]["times_days"]:
        address = incidence_address(context.estimates, outcome, group, float(days))
        yield _interval(ledger, address, "percent") if address else ""


def incidence_address(estimates: pd.DataFrame, outcome: str, group: str, days: float) -> str | None:
    """Return the address of a cumulative incidence, None when it was not estimated."""
    chosen = estimates.loc[
        (estimates["analysis"] == "cumulative_incidence")
        & (estimates["quantity"] == "cumulative_incidence")
        & (estimates["outcome"] == outcome)
        & (estimates["term"].str.split(".").str[0] == group)
        & (estimates["time_days"] == days)
    ]
    return None if chosen.empty else str(chosen["number_id"].iloc[0])


def _row(context: Context, ledger: Ledger, outcome: str, group: str) -> Row:
    cells: list[Cell] = [sentence_case(words(group))]
    rates = [number_id("incidence_rates", outcome, group, quantity) for quantity in _RATES]
    cells.append(ledger.number(rates[0], "count", field="n_events"))
    cells += _incidences(context, ledger, outcome, group)
    cells += [
        _interval(ledger, rate, "two_decimals") if ledger.holds(rate) else "" for rate in rates
    ]
    return Row(tuple(cells))


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return incidence and rates by outcome and group."""
    rows: list[Row] = []
    for outcome, content in context.plan["outcomes"].items():
        groups = _groups(context, outcome)
        if groups:
            rows.append(Row((sentence_case(content["label"]),)))
            rows += [_row(context, ledger, outcome, group) for group in groups]
    times = [
        setting(f"{days:g} days") for days in context.plan["cumulative_incidence"]["times_days"]
    ]
    return JournalTable(
        "incidence",
        TITLE,
        (
            "Outcome and group",
            "Events",
            *times,
            setting("Rate per 100 person-years"),
            setting("Rate per 1000 athlete-exposures"),
        ),
        tuple(rows),
        notes=(
            (
                "With intervals at ",
                setting(context.confidence_level),
                ". Incidences are shares of the athletes by that day, with other ends of "
                "observation as competing events; rates have exact intervals.",
            ),
        ),
        absent="no incidence was estimated",
    )
