"""Tables: cumulative incidence at the times of the plan; rates per exposure; follow-up."""

from __future__ import annotations

import pandas as pd

from analysis.estimates import number_id
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Ledger, setting
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Row

_RATES = ("rate_per_100_person_years", "rate_per_1000_athlete_exposures")
_EXPOSURES = ("person_years", "athlete_exposures")


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


def _groups(rows: pd.DataFrame) -> list[str]:
    groups = set(rows["term"].str.split(".").str[0])
    return sorted(groups, key=lambda group: (group != "all", group))


def _incidence_row(context: Context, ledger: Ledger, outcome: str, group: str) -> Row:
    cells: list[Cell] = [sentence_case(words(group))]
    for days in context.plan["cumulative_incidence"]["times_days"]:
        address = incidence_address(context.estimates, outcome, group, float(days))
        cells.append(interval_cell(ledger, address, "percent") if address else "not estimated")
    events = number_id("incidence_rates", outcome, group, _RATES[0])
    held = ledger.holds(events)
    cells.append(ledger.number(events, "count", field="n_events") if held else "")
    return Row(tuple(cells))


def build_incidence(context: Context, ledger: Ledger) -> JournalTable:
    """Return cumulative incidences by outcome and group, with the events of the whole follow-up."""
    estimates = context.estimates
    curves = estimates.loc[
        (estimates["analysis"] == "cumulative_incidence")
        & (estimates["quantity"] == "cumulative_incidence")
    ]
    rows: list[Row] = []
    for outcome, content in context.plan["outcomes"].items():
        of_outcome = curves.loc[curves["outcome"] == outcome]
        if len(of_outcome):
            rows.append(Row((sentence_case(content["label"]),)))
            rows += [
                _incidence_row(context, ledger, outcome, group) for group in _groups(of_outcome)
            ]
    times = context.plan["cumulative_incidence"]["times_days"]
    return JournalTable(
        "incidence",
        "Cumulative incidence of second injury since clearance",
        ("Outcome and group", *(setting(f"{days:g} days") for days in times), "Events in all"),
        tuple(rows),
        notes=(
            (
                "Share of athletes by that day, with intervals at ",
                setting(context.confidence_level),
                "; other ends of observation compete. Before the first event there is no interval.",
            ),
        ),
        absent="no incidence was estimated",
    )


def _rate_row(ledger: Ledger, outcome: str, group: str) -> Row:
    rates = [number_id("incidence_rates", outcome, group, quantity) for quantity in _RATES]
    cells = [
        interval_cell(ledger, rate, "two_decimals") if ledger.holds(rate) else "not estimated"
        for rate in rates
    ]
    events = ledger.number(rates[0], "count", field="n_events") if ledger.holds(rates[0]) else ""
    exposures = [
        ledger.number(number_id("incidence_rates", "exposure", group, quantity), "whole")
        for quantity in _EXPOSURES
    ]
    return Row(
        (sentence_case(words(group)), events, exposures[0], cells[0], exposures[1], cells[1])
    )


def build_rates(context: Context, ledger: Ledger) -> JournalTable:
    """Return injury rates by outcome and group."""
    estimates = context.estimates
    found = estimates.loc[
        (estimates["analysis"] == "incidence_rates") & (estimates["quantity"] == _RATES[0])
    ]
    rows: list[Row] = []
    for outcome, content in context.plan["outcomes"].items():
        of_outcome = found.loc[found["outcome"] == outcome]
        if len(of_outcome):
            rows.append(Row((sentence_case(content["label"]),)))
            rows += [_rate_row(ledger, outcome, group) for group in _groups(of_outcome)]
    return JournalTable(
        "rates",
        "Injury rates",
        (
            "Outcome and group",
            "Events",
            "Person-years",
            setting("Per 100 person-years"),
            "Athlete-exposures",
            setting("Per 1000 athlete-exposures"),
        ),
        tuple(rows),
        notes=(("With exact intervals at ", setting(context.confidence_level), "."),),
        absent="no rate was estimated",
    )
