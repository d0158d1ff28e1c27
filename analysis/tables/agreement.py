"""Tables: agreement of the sensors (limits; lines and percent errors), and the lag of contact."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import groupby
from typing import Any

from analysis.estimates import number_id
from analysis.labels import sentence_case, words
from analysis.models.contact_lag import ANALYSIS as CONTACT_LAG
from analysis.models.contact_lag import GROUPINGS
from analysis.report.agreement_groups import AgreedGroup, agreed_groups, spread_grows
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Row

RowsOf = Callable[[AgreedGroup, str, Ledger], Iterator[Row]]

LIMITS = ("bias", "lower_limit", "upper_limit")
NOT_DEFINED = "not defined"


def _rows(context: Context, ledger: Ledger, rows_of: RowsOf) -> tuple[Row, ...]:
    """Return the rows of all groups, headed by metric and pair of sensors."""
    rows: list[Row] = []
    groups = agreed_groups(context.estimates, context.study)
    for (title, sensors), of_pair in groupby(
        groups, key=lambda group: (group.title, group.sensors)
    ):
        rows.append(Row((Exempt(f"{title}: {sensors}", "name"),)))
        for group in of_pair:
            rows += rows_of(group, group.label(context.study), ledger)
    return tuple(rows)


def _counts(ledger: Ledger, address: str) -> tuple[Cell, ...]:
    return tuple(
        ledger.number(address, "count", field=field) for field in ("n_athletes", "n_trials")
    )


def _limit_rows(group: AgreedGroup, label: str, ledger: Ledger) -> Iterator[Row]:
    style = group.style(ledger)
    cells = [interval_cell(ledger, group.address(quantity), style) for quantity in LIMITS]
    spread = ledger.number(group.address("standard_deviation"), style)
    outside = ledger.number(group.address("share_outside_limits"), "percent")
    counts = _counts(ledger, group.address("bias"))
    yield Row((label, *counts, cells[0], spread, *cells[1:], outside))
    if spread_grows(group, ledger):
        ratios = [
            interval_cell(ledger, group.address(f"ratio_{quantity}"), "ratio")
            for quantity in LIMITS
        ]
        yield Row((f"{label}, as ratio", *counts, ratios[0], "", *ratios[1:], ""))


def build_limits(context: Context, ledger: Ledger) -> JournalTable:
    """Return bias and limits of agreement of every pair of sensors, by group of landings."""
    return JournalTable(
        "agreement",
        "Agreement of the sensors: bias and limits for a single landing",
        (
            "Group",
            "Athletes",
            "Landings",
            "Bias (interval)",
            "SD",
            "Lower limit (interval)",
            "Upper limit (interval)",
            "Outside the limits",
        ),
        _rows(context, ledger, _limit_rows),
        notes=(
            (
                "Intervals at ",
                setting(context.confidence_level),
                ". Mixed model of the differences: trials nested in visits, limbs and athletes; "
                "the standard deviation (SD) is that of a single difference of a new athlete. One "
                "in twenty landings is expected outside the limits. Where differences spread with "
                "the size of what is measured, the ratio of the sensors follows, from logarithms; "
                "its limits then fit better.",
            ),
        ),
        absent="no pair of sensors has enough athletes for limits of agreement",
    )


def _line_rows(group: AgreedGroup, label: str, ledger: Ledger) -> Iterator[Row]:
    style = group.style(ledger)
    cells: list[Cell] = [
        interval_cell(ledger, group.address(quantity), in_style)
        for quantity, in_style in (
            ("proportional_bias", "three_decimals"),
            ("spread_slope", "three_decimals"),
            ("concordance", "three_decimals"),
            ("deming_slope", "three_decimals"),
            ("deming_intercept", style),
        )
    ]
    for quantity in ("mean", "root_mean_square", "percentile_95"):
        address = group.address(f"percent_error_{quantity}")
        held = ledger.holds(address)
        cells.append(ledger.number(address, "one_decimal") if held else NOT_DEFINED)
    yield Row((label, *cells))


def build_lines(context: Context, ledger: Ledger) -> JournalTable:
    """Return slopes, concordance, Deming's line and percent errors, by group of landings."""
    return JournalTable(
        "agreement_lines",
        "Agreement of the sensors: lines, concordance and percent error",
        (
            "Group",
            "Slope of the difference on the mean",
            "Slope of its spread on the mean",
            "Concordance",
            "Deming: slope",
            "Deming: intercept",
            "Percent error: mean",
            "Root mean square",
            Exempt("95th percentile of its size", "name"),
        ),
        _rows(context, ledger, _line_rows),
        notes=(
            "The slope of the difference on the mean also departs from zero where the sensors' "
            "random errors differ in size; it is a description, not proof of a wrong scale. "
            "Deming's line takes both sensors' errors as equally large, because trials of a jump "
            "are no replicates of one value. Concordance, Deming's line and percent errors have "
            "their intervals from leaving out one athlete at a time. Percent errors are of the "
            "reference sensor; an angle has no natural zero and so no percent error.",
        ),
        absent="no pair of sensors has enough athletes for limits of agreement",
    )


def _lag_terms(study: dict[str, Any]) -> Iterator[tuple[tuple[str, ...], str]]:
    yield ("all",), "All landings"
    labels = {"task": study["tasks"], "site": study["sites"]}
    for grouping in GROUPINGS:
        for level, entry in labels[grouping].items():
            yield (grouping, level), sentence_case(entry["label"])


def build_contact_lag(context: Context, ledger: Ledger) -> JournalTable:
    """Return the lag of contact of the waist unit behind the plate, by task and site."""
    rows = []
    for term, label in _lag_terms(context.study):
        address = {
            quantity: number_id(CONTACT_LAG, "", term, quantity)
            for quantity in (*LIMITS, "standard_deviation")
        }
        if not ledger.holds(address["bias"]):
            continue
        cells = [interval_cell(ledger, address[quantity], "one_decimal") for quantity in LIMITS]
        spread = ledger.number(address["standard_deviation"], "one_decimal")
        rows.append(Row((label, *_counts(ledger, address["bias"]), cells[0], spread, *cells[1:])))
    return JournalTable(
        "contact_lag",
        f"Lag of contact of the {words('waist')} behind the force plate, in milliseconds",
        (
            "Group",
            "Athletes",
            "Landings",
            "Bias (interval)",
            "SD",
            "Lower limit (interval)",
            "Upper limit (interval)",
        ),
        tuple(rows),
        notes=(
            "Positive: the waist unit sees the contact later. What is left of the error of "
            "synchronisation is part of it. No value in this report is corrected for it.",
        ),
        absent="no trial has contacts by a plate and by a waist unit, or too few athletes have",
    )
