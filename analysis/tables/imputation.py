"""Table: the primary models with gaps filled in, of complete cases, and with gaps shifted."""

from __future__ import annotations

import math

from analysis.estimates import number_id
from analysis.models.filled_cohort import FILLED_IN, GAPS
from analysis.models.shifted_cox import SHIFTED, shift_word
from analysis.report.context import Context
from analysis.report.ledger import Ledger, setting
from analysis.report.missing_data import handling_address
from analysis.report.numerals import MINUS, NO_BREAK_SPACE
from analysis.tables.cells import interval_cell, predictor_label
from analysis.tables.journal import Cell, JournalTable, Part, Row

TITLE = "Missing and clipped metrics filled in, and complete cases"


def _gaps(ledger: Ledger, name: str) -> Cell:
    counts = (number_id(GAPS, name, kind, "count") for kind in ("missing", "clipped"))
    missing, clipped = (ledger.number(address, "count") for address in counts)
    return (missing, f"{NO_BREAK_SPACE}/{NO_BREAK_SPACE}", clipped)


def _information(ledger: Ledger, address: str) -> Cell:
    if math.isnan(ledger.value(address, "missing_information")):
        return "not defined"
    return ledger.number(address, "percent", field="missing_information")


def _was_filled_in(context: Context, address: str) -> bool:
    rows = context.estimates
    return bool((rows.loc[rows["number_id"] == address, "missing_data"] == FILLED_IN).any())


def _shifted(context: Context, ledger: Ledger, outcome: str, name: str) -> Cell:
    """Return the lowest and the highest hazard ratio under the shifts."""
    shifts = context.plan["imputation"]["shifts_sd"]
    addresses = [
        number_id(SHIFTED, outcome, (name, shift_word(shift)), "hazard_ratio") for shift in shifts
    ]
    known = [
        address
        for address in addresses
        if ledger.holds(address) and not math.isnan(ledger.value(address))
    ]
    if not known:
        return "none"
    low, high = (ledger.number(end(known, key=ledger.value), "ratio") for end in (min, max))
    return (low, " to ", high)


def _rows(context: Context, ledger: Ledger, outcome: str) -> list[Row]:
    rows = []
    for predictor in context.plan["primary"]:
        name = predictor["name"]
        imputed, complete = (
            handling_address(ledger, context.plan, handling, outcome, name)
            for handling in ("imputed", "complete_cases")
        )
        if not (ledger.holds(complete) and _was_filled_in(context, imputed)):
            continue
        rows.append(
            Row(
                (
                    predictor_label(predictor),
                    _gaps(ledger, name),
                    interval_cell(ledger, imputed, "ratio"),
                    _information(ledger, imputed),
                    interval_cell(ledger, complete, "ratio"),
                    _shifted(context, ledger, outcome, name),
                )
            )
        )
    return rows


def _largest_disagreement(context: Context, ledger: Ledger) -> list[Part]:
    addresses = [
        number_id(GAPS, predictor["name"], "all", "potential_scale_reduction")
        for predictor in context.plan["primary"]
    ]
    known = [
        address
        for address in addresses
        if ledger.holds(address) and not math.isnan(ledger.value(address))
    ]
    if not known:
        return []
    largest = ledger.number(max(known, key=ledger.value), "two_decimals")
    return [
        "Largest scale reduction of the means of what was filled in: ",
        largest,
        "; near one, the chains agree.",
    ]


def _notes(context: Context, ledger: Ledger) -> list[Cell]:
    settings = context.plan["imputation"]
    share = number_id(GAPS, "all", "incomplete", "share")
    primary = "filled in" if context.plan["missing"]["primary"] == "imputed" else "complete cases"
    notes: list[Cell] = [
        (
            "Hazard ratios per standard deviation among the complete cases (in both columns), as "
            "measured, intervals at ",
            setting(context.confidence_level),
            f". Primary analysis: {primary}; the other one is its sensitivity analysis. Missing: "
            "no value at clearance. Clipped: a trial reached the limit of its sensor, so that the "
            "mean is a lower bound; the complete cases take it as it is. Incomplete in one way or "
            "the other: ",
            ledger.number(share, "percent"),
            " of the athletes; filled in ",
            ledger.number(number_id(GAPS, "all", "data_sets", "count"), "count"),
            " times. Missing information: share that was lost by the gaps.",
        )
    ]
    if settings["shifts_sd"]:
        lowest, highest = (
            setting(f"{end(settings['shifts_sd']):g}".replace("-", MINUS)) for end in (min, max)
        )
        notes.append(
            (
                "Over the shifts: lowest and highest hazard ratio when the missing values of the "
                "metric lie from ",
                lowest,
                " to ",
                highest,
                " standard deviations away from what was filled in; clipped values are not "
                "shifted.",
            )
        )
    disagreement = _largest_disagreement(context, ledger)
    return [*notes, disagreement] if disagreement else notes


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return each primary predictor of complete cases, filled in, and under the shifts."""
    rows: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        found = _rows(context, ledger, outcome)
        if found:
            rows.append(Row((context.outcome_label(outcome),)))
            rows += found
    return JournalTable(
        "imputation",
        TITLE,
        (
            "Metric",
            "Missing / clipped",
            "Hazard ratio, filled in",
            "Missing information",
            "Hazard ratio, complete cases",
            "Hazard ratio over the shifts",
        ),
        tuple(rows),
        notes=tuple(_notes(context, ledger)) if rows else (),
        absent="there was nothing to fill in, or no model to pool",
    )
