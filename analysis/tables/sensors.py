"""How good the sensors are for the question: plate and wearables side by side, in a table."""

from __future__ import annotations

from analysis.estimates import number_id
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Row

TITLE = "The same question by force plate and by what is worn"

ANALYSIS = "sensor_answer"
REFERENCE = number_id(ANALYSIS, "all", "all", "reference_hazard_ratio")
ERRORS = {"trial_error": "trials", "visit_error": "trials and visits"}
"""Which error is counted, from the least to the most complete -> its words."""


def address_of(outcome: str, predictor: str, error: str, quantity: str) -> str:
    """Return the address of a number of one predictor under one kind of error."""
    return number_id(ANALYSIS, outcome, (predictor, error), quantity)


def compared(context: Context, ledger: Ledger, outcome: str) -> list[dict[str, str]]:
    """Return the predictors that were compared for an outcome."""
    return [
        predictor
        for predictor in context.predictors
        if ledger.holds(number_id(ANALYSIS, outcome, predictor["name"], "hazard_ratio"))
    ]


def _is_corrected(ledger: Ledger, outcome: str, predictor: dict[str, str], error: str) -> bool:
    return ledger.holds(address_of(outcome, predictor["name"], error, "hazard_ratio"))


def _row(ledger: Ledger, outcome: str, predictor: dict[str, str], error: str) -> Row:
    name = predictor["name"]
    label = f"{sentence_case(predictor['label'])} ({words(predictor['sensor'])})"
    styles = {
        "reliability": "two_decimals",
        "attenuated_reference_hazard_ratio": "ratio",
        "events_needed_reference": "whole",
    }
    cells: list[Cell] = [
        Exempt(label, "name"),
        interval_cell(ledger, number_id(ANALYSIS, outcome, name, "hazard_ratio"), "ratio"),
        ERRORS[error],
    ]
    corrected = address_of(outcome, name, error, "hazard_ratio")
    if not _is_corrected(ledger, outcome, predictor, error):
        return Row((*cells, "not run", "not run", "not run", "not run"))
    numbers = [
        ledger.number(address_of(outcome, name, error, quantity), style)
        for quantity, style in styles.items()
    ]
    return Row((*cells, interval_cell(ledger, corrected, "ratio"), *numbers))


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the comparison by outcome, metric and kind of error."""
    rows: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        predictors = compared(context, ledger, outcome)
        if predictors:
            rows.append(Row((context.outcome_label(outcome),)))
        for predictor in predictors:
            lines = [_row(ledger, outcome, predictor, error) for error in ERRORS]
            ran = [error for error in ERRORS if _is_corrected(ledger, outcome, predictor, error)]
            rows += lines if ran else lines[:1]  # a metric without any correction stands once
    notes: list[Cell] = [
        "One metric at a time, in the athletes who have all of them, so that only the measurement "
        "differs. Reliability: share of the variation between athletes of the same covariates and "
        "strata that is not error. As measured: per standard deviation of the measured value; "
        "corrected: of the true value; both among all athletes of the model."
    ]
    if ledger.holds(REFERENCE):
        number = ledger.number(REFERENCE, "two_decimals")
        notes.append(
            (
                "The last two columns suppose a true hazard ratio of ",
                number,
                " per standard deviation of the true value: what the sensor would show of it "
                "per standard deviation of the measured value, in a model with the covariates and "
                "strata of the plan, and how many events would find it there with a power of ",
                setting(context.power),
                ".",
            )
        )
    return JournalTable(
        "sensors",
        TITLE,
        (
            "Metric (sensor)",
            "Hazard ratio as measured",
            "Error counted",
            "Hazard ratio corrected",
            "Reliability",
            "Left of the supposed ratio",
            "Events needed for it",
        ),
        tuple(rows),
        tuple(notes),
        absent="nothing of plate or wearable could be compared; see what was not run, and why",
    )
