"""Tables: what could upset the hazard ratios, and what a second fit by a library says."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from analysis.estimates import number_id
from analysis.figures.hazard_ratios import NAIVE, hazard_rows
from analysis.labels import metric_label, sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell, interval_cell_or_word
from analysis.tables.journal import Cell, JournalTable, Part, Row

_DIFFERENCES = ("difference_in_standard_errors", "relative_difference_of_standard_error")


def _check_row(ledger: Ledger, naive: pd.Series, label: str) -> Row:
    address = naive["number_id"]
    proportional = address.removesuffix("hazard_ratio") + "proportional_hazards_test"
    penalised = number_id("cox_firth", naive["outcome"], naive["term"], "hazard_ratio")
    tested = ledger.holds(proportional)
    return Row(
        (
            Exempt(label, "name"),
            interval_cell(ledger, address, "ratio"),
            interval_cell_or_word(ledger, penalised, "ratio"),
            ledger.number(proportional, "p", field="p") if tested else "not run",
        )
    )


def _per_parameter(ledger: Ledger, outcome: str) -> Sequence[Part]:
    address = number_id("cox_primary", outcome, "all", "events_per_parameter")
    if not ledger.holds(address):
        return ()
    return (": ", ledger.number(address, "one_decimal"), " events per coefficient")


def build_checks(context: Context, ledger: Ledger) -> JournalTable:
    """Return, for the primary models, penalised estimates and tests of proportional hazards."""
    rows = hazard_rows(context.estimates, context.plan)
    primary = rows.loc[(rows["kind"] == NAIVE) & (rows["analysis"] == "cox_primary")]
    labels = {p["name"]: sentence_case(p["label"]) for p in context.predictors}
    lines: list[Row] = []
    for outcome, of_outcome in primary.groupby("outcome", sort=False):
        heading = context.outcome_label(outcome)
        lines.append(Row(((heading, *_per_parameter(ledger, str(outcome))),)))
        lines += [_check_row(ledger, row, labels[row["term"]]) for _, row in of_outcome.iterrows()]
    return JournalTable(
        "checks",
        "Checks of the primary models",
        (
            "Metric",
            "Hazard ratio as measured",
            "With the penalty of Firth",
            "Proportional hazards, p",
        ),
        tuple(lines),
        notes=(
            (
                "With intervals at ",
                setting(context.confidence_level),
                ". The penalty keeps estimates finite when events are few. A small p of the test "
                "says that the hazard ratio changes over follow-up, and that the one printed is an "
                "average. A large p does not show that hazards are proportional; with few events "
                "the test sees little.",
            ),
        ),
        absent="no primary model was run",
    )


def _second_rows(context: Context, analysis: str) -> pd.DataFrame:
    rows = context.estimates
    return rows.loc[(rows["analysis"] == analysis) & (rows["quantity"] == _DIFFERENCES[0])]


def _difference_cells(ledger: Ledger, address: str) -> list[Cell]:
    other = address.removesuffix(_DIFFERENCES[0]) + _DIFFERENCES[1]
    return [
        ledger.number(address, "scientific"),
        ledger.number(other, "scientific") if ledger.holds(other) else "not run",
    ]


def build_second_opinion(context: Context, ledger: Ledger) -> JournalTable:
    """Return how far a library's estimates lie from ours, model by model."""
    labels = {p["name"]: p["label"] for p in context.predictors}
    labels |= {c["column"]: c["label"] for c in context.plan["cox"]["covariates"]}
    tasks = {code: task["label"] for code, task in context.study["tasks"].items()}
    lines: list[Row] = []
    cox = _second_rows(context, "cox_second_opinion")
    for outcome, content in context.plan["outcomes"].items():
        rows = cox.loc[cox["outcome"] == outcome]
        if len(rows):
            lines.append(Row((f"Cox model, {content['label']}",)))
        for _, row in rows.iterrows():
            term, _, data = row["term"].partition(".")
            label = sentence_case(labels.get(term, words(term)))
            label += ", first data set filled in" if data else ""
            lines.append(Row((Exempt(label, "name"), *_difference_cells(ledger, row["number_id"]))))
    limb = _second_rows(context, "limb_difference_second_opinion")
    if len(limb):
        lines.append(Row(("Mixed models of the limb difference",)))
    for _, row in limb.iterrows():
        label = f"{sentence_case(metric_label(row['metric']))}, {words(row['sensor'])}"
        task = tasks.get(row["task"], words(row["task"]))
        cells = _difference_cells(ledger, row["number_id"])
        lines.append(Row((Exempt(f"{label}: {task}", "name"), *cells)))
    return JournalTable(
        "second_opinion",
        "Models fitted a second time by a library: its estimate minus ours",
        (
            "Coefficient",
            "Difference, in our standard errors",
            "Relative difference of standard error",
        ),
        tuple(lines),
        notes=(
            "Cox models by lifelines or statsmodels, mixed models by statsmodels. Cox models of "
            "complete cases and, where gaps were filled in, of one completed data set. Zero "
            "would be the same number to the last digit.",
        ),
        absent="no second fit was run",
    )
