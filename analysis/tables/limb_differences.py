"""Table: involved against uninvolved limb, by metric, task and sensor."""

from __future__ import annotations

import pandas as pd

from analysis.figures.limb_differences import RATIO, limb_rows, situation, style_of
from analysis.labels import metric_label, sentence_case, unit_shown
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell
from analysis.tables.journal import JournalTable, Row

TITLE = "Involved against uninvolved limb, from mixed models of single trials"


def _row(row: pd.Series, tasks: dict[str, str], ledger: Ledger) -> Row:
    address = row["number_id"]
    is_ratio = row["quantity"] == RATIO
    return Row(
        (
            situation(row, tasks),
            "ratio" if is_ratio else f"difference, {unit_shown(row['unit'])}",
            interval_cell(ledger, address, style_of(row)),
            ledger.number(address, "one_decimal", field="df"),
            ledger.number(address, "p", field="p"),
            ledger.number(address, "count", field="n_athletes"),
            ledger.number(address, "count", field="n_trials"),
        )
    )


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the limb differences, metrics in the order of the plan."""
    tasks = {code: task["label"] for code, task in context.study["tasks"].items()}
    rows: list[Row] = []
    for metric, of_metric in limb_rows(context.estimates, context.plan).groupby(
        "metric", sort=False
    ):
        rows.append(Row((Exempt(sentence_case(metric_label(str(metric))), "name"),)))
        rows += [_row(row, tasks, ledger) for _, row in of_metric.iterrows()]
    return JournalTable(
        "limb_differences",
        TITLE,
        (
            "Task and sensor",
            "Effect",
            "Estimate (interval)",
            "Degrees of freedom",
            "p",
            "Athletes",
            "Trials",
        ),
        tuple(rows),
        notes=(
            (
                "Intervals at ",
                setting(context.confidence_level),
                ". Ratio: involved over uninvolved limb, of metrics analysed as logarithms. "
                "Difference: involved minus uninvolved limb. Athletes with both knees "
                "reconstructed are left out. Where the variation of the limb difference between "
                "athletes was estimated as none, the model leaves it out, and has many more "
                "degrees of freedom.",
            ),
        ),
        absent="no limb difference was estimated",
    )
