"""Table: hazard ratios per standard deviation, with events, p-values and what could be found."""

from __future__ import annotations

from typing import Any

import pandas as pd

from analysis.estimates import number_id
from analysis.figures.hazard_ratios import hazard_rows
from analysis.labels import sentence_case, unit_shown
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import Cell, JournalTable, Row, with_interval
from shared.metric_dictionary import metrics

TITLE = "Hazard ratio per standard deviation of each metric at clearance"


def hazard_ratio_cell(ledger: Ledger, address: str) -> Cell:
    """Return a hazard ratio with its interval; words where it is not estimated."""
    estimate, low, high = (
        ledger.number(address, "ratio", field=field) for field in ("estimate", "ci_low", "ci_high")
    )
    if ledger.value(address) != ledger.value(address):
        return estimate
    return with_interval(estimate, low, high)


def _p_cell(ledger: Ledger, row: Any) -> Cell:
    if pd.isna(row.p):
        return ""
    cell: list[Any] = [ledger.number(row.number_id, "p", field="p")]
    if not pd.isna(row.p_adjusted):
        cell += [" (", ledger.number(row.number_id, "p", field="p_adjusted"), ")"]
    return tuple(cell)


def _row(ledger: Ledger, row: Any, corrected: str | None, labels: dict[str, str]) -> Row:
    step = number_id(row.analysis, row.outcome, row.term, "standard_deviation")
    unit = unit_shown(metrics()[row.metric].unit)
    return Row(
        (
            Exempt(labels[row.term], "name"),
            (ledger.number(step, "measure"), f" {unit}") if ledger.holds(step) else "",
            hazard_ratio_cell(ledger, row.number_id),
            hazard_ratio_cell(ledger, corrected) if corrected else "not run",
            _p_cell(ledger, row),
            (
                ledger.number(row.number_id, "count", field="n_events"),
                " / ",
                ledger.number(row.number_id, "count", field="n_athletes"),
            ),
            {"primary": "primary", "secondary": "secondary"}.get(row.family, "exploratory"),
        )
    )


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the hazard ratios, naive and corrected, in the order of the plan."""
    rows = hazard_rows(context.estimates, context.plan)
    naive = rows.loc[rows["quantity"] == "hazard_ratio"]
    if naive.empty:
        return JournalTable("hazard_ratios", TITLE, (), (), absent="no model was run")
    labels = {p["name"]: sentence_case(p["label"]) for p in context.predictors}
    corrected = {
        (row.outcome, row.term): row.number_id
        for row in rows.itertuples()
        if row.quantity == "hazard_ratio_corrected"
    }
    lines = []
    for outcome, of_outcome in naive.groupby("outcome", sort=False):
        lines.append(Row((sentence_case(context.plan["outcomes"][outcome]["label"]),)))
        lines += [
            _row(ledger, row, corrected.get((row.outcome, row.term)), labels)
            for row in of_outcome.itertuples()
        ]
    level = f"{100 * context.plan['confidence_level']:g} %"
    return JournalTable(
        "hazard_ratios",
        TITLE,
        (
            "Metric",
            "Step (SD)",
            "Hazard ratio (interval)",
            "Corrected (interval)",
            "p (adjusted)",
            "Events / athletes",
            "Family",
        ),
        tuple(lines),
        notes=(
            (
                "Intervals at ",
                Exempt(level, "setting"),
                ". Above one: higher values go along with a higher rate of the injury; below one: "
                "with a lower rate. The step is the standard deviation (SD) among the athletes in "
                "the model. Corrected: for the error of measurement. Adjusted p: within the "
                "primary family.",
            ),
        ),
    )
