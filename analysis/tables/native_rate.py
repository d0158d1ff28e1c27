"""Table: the primary models at the common sampling rate and at the native one."""

from __future__ import annotations

from analysis.estimates import number_id
from analysis.labels import sentence_case
from analysis.models.native_rate import ANALYSIS, COX
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.report.missing_data import handling_address
from analysis.tables.cells import interval_cell, predictor_label
from analysis.tables.journal import Cell, JournalTable, Row

TITLE = "Primary models at the common and at the native sampling rate"


def _change(ledger: Ledger, name: str, site: str) -> Cell:
    address = number_id(ANALYSIS, name, site, "mean_change_in_sd")
    return ledger.number(address, "two_decimals") if ledger.holds(address) else "not measured"


def _rows(context: Context, ledger: Ledger, outcome: str) -> list[Row]:
    rows = []
    for predictor in context.plan["primary"]:
        name = predictor["name"]
        addresses = [
            handling_address(ledger, context.plan, "complete_cases", outcome, name),
            number_id(COX, outcome, name, "hazard_ratio"),
        ]
        if not all(ledger.holds(address) for address in addresses):
            continue
        ratios = [interval_cell(ledger, address, "ratio") for address in addresses]
        changes = [_change(ledger, name, site) for site in context.study["sites"]]
        rows.append(Row((predictor_label(predictor), *ratios, *changes)))
    return rows


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return each primary predictor at both rates, and how far it moved at each site."""
    rows: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        found = _rows(context, ledger, outcome)
        if found:
            rows.append(Row((context.outcome_label(outcome),)))
            rows += found
    sites = [
        Exempt(f"Change at {sentence_case(site['label'])}, SD", "name")
        for site in context.study["sites"].values()
    ]
    return JournalTable(
        "native_rate",
        TITLE,
        ("Metric", "Hazard ratio, common rate", "Hazard ratio, native rate", *sites),
        tuple(rows),
        notes=(
            (
                "Hazard ratios per standard deviation (SD), as measured, complete cases at both "
                "rates, intervals at ",
                setting(context.confidence_level),
                ". Change: mean of the metric at the native rate minus at the common rate, in SD "
                "of the metric. Where only some sites change, their rate would be mistaken for "
                "the site; the common rate is therefore the primary analysis.",
            ),
        ),
        absent="no kind of sensor was brought to a common rate",
    )
