"""Table: the primary models of complete cases, with gaps filled in, and with these shifted."""

from __future__ import annotations

import math

from analysis.estimates import number_id
from analysis.labels import sentence_case
from analysis.models.imputed_cox import COMPLETE_CASES, COX, GAPS, SHIFTED, shift_word
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.report.numerals import MINUS, NO_BREAK_SPACE
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Part, Row

TITLE = "Primary models of complete cases and with missing and clipped metrics filled in"


def _gaps(ledger: Ledger, name: str) -> Cell:
    counts = (number_id(GAPS, name, kind, "count") for kind in ("missing", "clipped"))
    missing, clipped = (ledger.number(address, "count") for address in counts)
    return (missing, f"{NO_BREAK_SPACE}/{NO_BREAK_SPACE}", clipped)


def _information(ledger: Ledger, outcome: str, name: str) -> Cell:
    address = number_id(COX, outcome, name, "missing_information")
    return ledger.number(address, "percent") if ledger.holds(address) else "not defined"


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
        complete = number_id(COX, outcome, (name, COMPLETE_CASES), "hazard_ratio")
        imputed = number_id(COX, outcome, name, "hazard_ratio")
        if not (ledger.holds(complete) and ledger.holds(imputed)):
            continue
        rows.append(
            Row(
                (
                    Exempt(sentence_case(predictor["label"]), "name"),
                    _gaps(ledger, name),
                    interval_cell(ledger, complete, "ratio"),
                    interval_cell(ledger, imputed, "ratio"),
                    _information(ledger, outcome, name),
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
    notes: list[Cell] = [
        (
            "Hazard ratios per standard deviation among the complete cases, as measured, intervals "
            "at ",
            setting(context.confidence_level),
            ". The complete cases are the primary analysis. Missing: no value at clearance. "
            "Clipped: a trial reached the limit of its sensor, so that the mean is a lower bound; "
            "the complete cases take it as it is. Incomplete in one way or the other: ",
            ledger.number(share, "percent"),
            " of the athletes; filled in ",
            setting(settings["data_sets"]),
            " times. Missing information: share that was lost by the gaps.",
        )
    ]
    if 100 * ledger.value(share) > settings["data_sets"]:
        notes.append(
            "More per cent of the athletes are incomplete than data sets were drawn: the plan "
            "should ask for more."
        )
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
            rows.append(Row((sentence_case(context.plan["outcomes"][outcome]["label"]),)))
            rows += found
    return JournalTable(
        "imputation",
        TITLE,
        (
            "Metric",
            "Missing / clipped",
            "Hazard ratio, complete cases",
            "Hazard ratio, filled in",
            "Missing information",
            "Hazard ratio over the shifts",
        ),
        tuple(rows),
        notes=tuple(_notes(context, ledger)) if rows else (),
        absent="there was nothing to fill in, or no model to pool",
    )
