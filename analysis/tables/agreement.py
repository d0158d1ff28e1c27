"""Tables: agreement of the sensors (limits; lines; what was seen), and the lag of contact."""

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

_CELLS = ("bias", "standard_deviation", "lower_limit", "upper_limit")
LIMITS = ("bias", "lower_limit", "upper_limit")
NOT_DEFINED = "not defined"
ABSENT = "no pair of sensors has enough athletes for limits of agreement"


def _rows(context: Context, ledger: Ledger, rows_of: RowsOf) -> tuple[Row, ...]:
    """Return the rows of all groups, headed by metric and pair of sensors."""
    rows: list[Row] = []
    groups = agreed_groups(context.estimates, context.study)
    for (title, sensors), of_pair in groupby(
        groups, key=lambda group: (group.title, group.sensors)
    ):
        shown = [
            row for group in of_pair for row in rows_of(group, group.label(context.study), ledger)
        ]
        if shown:
            rows += [Row((Exempt(f"{title}: {sensors}", "name"),)), *shown]
    return tuple(rows)


def _counts(ledger: Ledger, address: str) -> tuple[Cell, ...]:
    return tuple(
        ledger.number(address, "count", field=field) for field in ("n_athletes", "n_trials")
    )


def _limit_rows(group: AgreedGroup, label: str, ledger: Ledger) -> Iterator[Row]:
    style = group.style(ledger)
    cells = [interval_cell(ledger, group.address(quantity), style) for quantity in LIMITS]
    counts = _counts(ledger, group.address("bias"))
    yield Row((label, *counts, *cells))
    if spread_grows(group, ledger):
        ratios = [
            interval_cell(ledger, group.address(f"ratio_{quantity}"), "three_decimals")
            for quantity in LIMITS
        ]
        yield Row((f"{label}, as ratio", *counts, *ratios))


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
            "Lower limit (interval)",
            "Upper limit (interval)",
        ),
        _rows(context, ledger, _limit_rows),
        notes=(
            (
                "Intervals at ",
                setting(context.confidence_level),
                ". Mixed model of the differences: trials nested in visits, limbs and athletes. "
                "Where differences spread with the size of what is measured, the ratio of the "
                "sensors follows, from logarithms; its limits then fit better. A clipped value is "
                "a lower bound and no measurement, so landings with one are left out; where there "
                "are any, a row shows all landings with the clipped values as they were read.",
            ),
        ),
        absent=ABSENT,
    )


def _line_rows(group: AgreedGroup, label: str, ledger: Ledger) -> Iterator[Row]:
    cells: list[Cell] = [
        interval_cell(ledger, group.address(quantity), in_style)
        for quantity, in_style in (
            ("proportional_bias", "three_decimals"),
            ("spread_slope", "three_decimals"),
            ("concordance", "correlation"),
            ("deming_slope", "three_decimals"),
            ("deming_intercept", group.style(ledger)),
        )
    ]
    yield Row((label, *cells))


def build_lines(context: Context, ledger: Ledger) -> JournalTable:
    """Return slopes, concordance and Deming's line, by group of landings."""
    return JournalTable(
        "agreement_lines",
        "Agreement of the sensors: proportional bias, concordance and Deming's line",
        (
            "Group",
            "Slope of the difference on the mean",
            "Slope of its spread on the mean",
            "Concordance",
            "Deming: slope",
            "Deming: intercept",
        ),
        _rows(context, ledger, _line_rows),
        notes=(
            "The slope of the difference on the mean also departs from zero where the sensors' "
            "random errors differ in size; it is a description, not proof of a wrong scale. "
            "Deming's line takes both sensors' errors as equally large, because trials of a jump "
            "are no replicates of one value. Concordance and Deming's line have their intervals "
            "from leaving out one athlete at a time.",
        ),
        absent=ABSENT,
    )


def _seen_rows(group: AgreedGroup, label: str, ledger: Ledger) -> Iterator[Row]:
    style = group.style(ledger)
    cells: list[Cell] = [
        interval_cell(ledger, group.address("standard_deviation"), style),
        interval_cell(ledger, group.address("share_outside_limits"), "percent"),
        interval_cell(ledger, group.address("percentile_2_5"), style),
        interval_cell(ledger, group.address("percentile_97_5"), style),
    ]
    yield Row((label, *cells))


_OF_PERCENTILES: tuple[Cell, ...] = (
    "by the exact interval for as many independent landings, read back for percentiles (",
    Exempt("Korn & Graubard 1998, Surv Methodol 24:193", "citation"),
    "; ",
    Exempt("Woodruff 1952, J Am Stat Assoc 47:635", "citation"),
    ").",
)


def build_seen(context: Context, ledger: Ledger) -> JournalTable:
    """Return what was seen of the differences, by group of landings."""
    return JournalTable(
        "agreement_seen",
        "Agreement of the sensors: differences as they were seen",
        (
            "Group",
            "SD of one difference",
            "Outside the limits",
            Exempt("Percentile 2.5", "name"),
            Exempt("Percentile 97.5", "name"),
        ),
        _rows(context, ledger, _seen_rows),
        notes=(
            (
                "The standard deviation (SD) is that of a single difference of a new athlete, by "
                "the model of the limits. One in twenty landings is expected outside them. The "
                "percentiles need no normal distribution; where they are far from the limits, "
                "there is none, and the limits describe the differences badly. Intervals count "
                "athletes, not landings: ",
                *_OF_PERCENTILES,
            ),
        ),
        absent=ABSENT,
    )


def _percent_error_rows(group: AgreedGroup, label: str, ledger: Ledger) -> Iterator[Row]:
    addresses = [
        group.address(f"percent_error_{quantity}")
        for quantity in ("mean", "root_mean_square", "percentile_95")
    ]
    if any(map(ledger.holds, addresses)):  # an angle has none
        cells = [
            interval_cell(ledger, address, "one_decimal") if ledger.holds(address) else NOT_DEFINED
            for address in addresses
        ]
        yield Row((label, *cells))


def build_percent_errors(context: Context, ledger: Ledger) -> JournalTable:
    """Return the errors in percent of the reference sensor, by group of landings."""
    return JournalTable(
        "agreement_percent_errors",
        "Agreement of the sensors: percent error",
        (
            "Group",
            "Mean",
            "Root mean square",
            Exempt("95th percentile of its size", "name"),
        ),
        _rows(context, ledger, _percent_error_rows),
        notes=(
            (
                "Of the reference sensor; an angle has no natural zero and so no percent error. "
                "Intervals count athletes, not landings: mean and root mean square by leaving out "
                "one athlete at a time, the percentile ",
                *_OF_PERCENTILES,
            ),
        ),
        absent="no pair of sensors of a metric with a natural zero has enough athletes",
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
        address = {quantity: number_id(CONTACT_LAG, "", term, quantity) for quantity in _CELLS}
        if not ledger.holds(address["bias"]):
            continue
        cells = [interval_cell(ledger, where, "one_decimal") for where in address.values()]
        rows.append(Row((label, *_counts(ledger, address["bias"]), *cells)))
    return JournalTable(
        "contact_lag",
        f"Lag of contact of the {words('waist')} behind the force plate, in milliseconds",
        (
            "Group",
            "Athletes",
            "Landings",
            "Bias (interval)",
            "SD (interval)",
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
