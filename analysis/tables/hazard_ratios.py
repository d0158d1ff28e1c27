"""Table: hazard ratios per standard deviation, naive and corrected, with events and p-values."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from analysis.estimates import number_id
from analysis.figures.hazard_ratios import CORRECTED, NAIVE, hazard_rows
from analysis.labels import sentence_case, unit_shown
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.report.missing_data import handling_words
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.tables.cells import interval_cell, interval_cell_or_word, p_cell
from analysis.tables.journal import Cell, JournalTable, Part, Row
from shared.metric_dictionary import metrics

TITLE = "Hazard ratio per standard deviation of each metric at clearance"


def _label(ledger: Ledger, naive: pd.Series, labels: dict[str, str]) -> Cell:
    label: list[Part] = [Exempt(labels[naive["term"]], "name")]
    step = number_id(naive["analysis"], naive["outcome"], naive["term"], "standard_deviation")
    if ledger.holds(step):
        unit = unit_shown(metrics()[naive["metric"]].unit)
        number = ledger.number(step, "measure")
        label += [f" (SD{NO_BREAK_SPACE}", number, f"{NO_BREAK_SPACE}{unit})"]
    if naive["family"] == "exploratory":
        label.append(f", exploratory, {naive['missing_data']}".removesuffix(", "))
    return label


def _row(
    ledger: Ledger, naive: pd.Series, addresses: dict[str, str], labels: dict[str, str]
) -> Row:
    events, athletes = (
        ledger.number(naive["number_id"], "count", field=field)
        for field in ("n_events", "n_athletes")
    )
    # The correction is planned for the primary metrics only.
    word = "not planned" if naive["family"] == "exploratory" else "not run"
    corrected = [
        interval_cell_or_word(ledger, addresses.get(kind, ""), "ratio", word)
        for kind in CORRECTED.values()
    ]
    return Row(
        (
            _label(ledger, naive, labels),
            interval_cell(ledger, naive["number_id"], "ratio"),
            *corrected,
            p_cell(ledger, naive["number_id"]),
            (events, f"{NO_BREAK_SPACE}/{NO_BREAK_SPACE}", athletes),
        )
    )


def _detectable(ledger: Ledger, outcome: str) -> Sequence[Part]:
    for analysis in ("cox_primary", "cox_secondary"):
        address = number_id(analysis, outcome, "all", "minimal_detectable_hazard_ratio")
        if ledger.holds(address):
            return (" (detectable: ", ledger.number(address, "ratio"), " or its inverse)")
    return ()


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the hazard ratios, naive and corrected, in the order of the plan."""
    rows = hazard_rows(context.estimates, context.plan)
    labels = {p["name"]: sentence_case(p["label"]) for p in context.predictors}
    lines: list[Row] = []
    for outcome, of_outcome in rows.groupby("outcome", sort=False):
        heading = context.outcome_label(outcome)
        lines.append(Row(((heading, *_detectable(ledger, str(outcome))),)))
        for _, of_term in of_outcome.groupby("term", sort=False):
            addresses = dict(zip(of_term["kind"], of_term["number_id"], strict=True))
            lines += [
                _row(ledger, naive, addresses, labels)
                for _, naive in of_term.loc[of_term["kind"] == NAIVE].iterrows()
            ]
    return JournalTable(
        "hazard_ratios",
        TITLE,
        (
            "Metric (standard deviation, SD)",
            "As measured",
            "Corrected: error of trials",
            "Corrected: error of trials and visits",
            "p (adjusted)",
            "Events / athletes",
        ),
        tuple(lines),
        notes=(
            (
                f"Models {handling_words(context.estimates)}, intervals at ",
                setting(context.confidence_level),
                ". Above one: higher values go along with a higher rate of the injury; below one: "
                "with a lower rate. As measured: per standard deviation of the measured value "
                "among the complete cases. Corrected: per standard deviation of the true value, "
                "which is the status at the clearance visit (error of trials) or the habitual "
                "value (error of trials and visits). P-values belong to the estimates as "
                "measured; in brackets, adjusted within the primary or the exploratory family. "
                "Detectable: with these events and a power of ",
                setting(context.power),
                ", one metric alone; as far from one as this, or further.",
            ),
        ),
        absent="no model was run",
    )
