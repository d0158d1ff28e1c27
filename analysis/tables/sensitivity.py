"""Tables: the primary models under other choices, and two corrections of error side by side."""

from __future__ import annotations

from collections.abc import Callable

from analysis.estimates import number_id
from analysis.models.calibrated_cox import COMPLETE
from analysis.models.cox_e_values import ANALYSIS as E_VALUE
from analysis.models.cox_nonlinearity import ANALYSIS as NONLINEARITY
from analysis.models.cox_sensitivity import SIMEX
from analysis.models.cox_without_event import ANALYSIS as WITHOUT_EVENT
from analysis.report.context import Context
from analysis.report.ledger import Ledger, setting
from analysis.report.numerals import NO_BREAK_HYPHEN, NO_BREAK_SPACE
from analysis.tables.cells import interval_cell, interval_cell_or_word, predictor_label
from analysis.tables.journal import Cell, JournalTable, Row

NOT_RUN = "not run"

RowOf = Callable[[Ledger, str, str], tuple[Cell, ...]]
"""Ledger, outcome, predictor -> the cells after the label."""


def _naive(outcome: str, name: str) -> str:
    return number_id("cox_primary", outcome, name, "hazard_ratio")


def _curved(ledger: Ledger, outcome: str, name: str) -> Cell:
    address = number_id(NONLINEARITY, outcome, name, "nonlinearity_test")
    return ledger.number(address, "p", field="p") if ledger.holds(address) else NOT_RUN


def _e_value(ledger: Ledger, outcome: str, name: str) -> Cell:
    value, limit = (
        number_id(E_VALUE, outcome, name, quantity) for quantity in ("e_value", "e_value_of_limit")
    )
    if not ledger.holds(value):
        return NOT_RUN
    return (ledger.number(value, "ratio"), " (", ledger.number(limit, "ratio"), ")")


def _span(ledger: Ledger, outcome: str, name: str, quantity: str, style: str) -> Cell:
    low, high = (
        number_id(WITHOUT_EVENT, outcome, name, f"{end}_{quantity}")
        for end in ("smallest", "largest")
    )
    if not ledger.holds(low):
        return NOT_RUN
    to = f"{NO_BREAK_SPACE}to{NO_BREAK_SPACE}"
    return (ledger.number(low, style), to, ledger.number(high, style))


def _turned(ledger: Ledger, outcome: str, name: str) -> Cell:
    turned, refits = (
        number_id(WITHOUT_EVENT, outcome, name, quantity) for quantity in ("sign_changes", "refits")
    )
    if not ledger.holds(turned):
        return NOT_RUN
    return (ledger.number(turned, "count"), " of ", ledger.number(refits, "count"))


def _choices(ledger: Ledger, outcome: str, name: str) -> tuple[Cell, ...]:
    return (
        interval_cell(ledger, _naive(outcome, name), "ratio"),
        _curved(ledger, outcome, name),
        _e_value(ledger, outcome, name),
        _span(ledger, outcome, name, "hazard_ratio", "ratio"),
        _span(ledger, outcome, name, "p", "p"),
        _turned(ledger, outcome, name),
    )


def _corrections(ledger: Ledger, outcome: str, name: str) -> tuple[Cell, ...]:
    cells: list[Cell] = []
    for level, simex in SIMEX.items():
        calibrated = f"cox_calibrated_{level}_error"
        beside = number_id(calibrated, outcome, (name, COMPLETE), "hazard_ratio")
        # Where nothing was filled in, the primary estimate is that of complete cases.
        own = number_id(calibrated, outcome, name, "hazard_ratio")
        address = beside if ledger.holds(beside) else own
        cells.append(interval_cell_or_word(ledger, address, "ratio"))
        extrapolated = number_id(simex, outcome, name, "hazard_ratio")
        cells.append(interval_cell_or_word(ledger, extrapolated, "ratio"))
    complete = number_id("cox_complete_cases", outcome, name, "hazard_ratio")
    measured = complete if ledger.holds(complete) else _naive(outcome, name)
    return (interval_cell(ledger, measured, "ratio"), *cells)


def _rows(context: Context, ledger: Ledger, cells: RowOf) -> tuple[Row, ...]:
    rows: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        found = [
            Row(
                (
                    predictor_label(predictor),
                    *cells(ledger, outcome, predictor["name"]),
                )
            )
            for predictor in context.plan["primary"]
            if ledger.holds(_naive(outcome, predictor["name"]))
        ]
        if found:
            rows += [Row((context.outcome_label(outcome),)), *found]
    return tuple(rows)


def build_corrections(context: Context, ledger: Ledger) -> JournalTable:
    """Return hazard ratios as measured, by regression calibration and by SIMEX."""
    return JournalTable(
        "corrections",
        "Hazard ratios corrected for error of measurement by two methods, complete cases",
        (
            "Metric",
            "As measured",
            "Error of trials: calibration",
            "Error of trials: SIMEX",
            "Error of trials and visits: calibration",
            "Error of trials and visits: SIMEX",
        ),
        _rows(context, ledger, _corrections),
        notes=(
            (
                "With intervals at ",
                setting(context.confidence_level),
                ". As measured: per standard deviation of the measured value; corrected: per "
                "standard deviation of the true value. Calibration: regression calibration. SIMEX: "
                "error is added by simulation, the model is fitted again, and the change is "
                "extrapolated back to no error along the shape that attenuation has. Intervals of "
                "both include what is unknown about the error. Both are of complete cases: SIMEX "
                "in every completed data set would take too long. The two rest on the same "
                "estimate of the error, so that they agree does not show that this estimate is "
                "right.",
            ),
        ),
        absent="no primary model was run",
    )


def build_sensitivity(context: Context, ledger: Ledger) -> JournalTable:
    """Return, for the primary models, what form, confounding and single events could change."""
    settings = context.plan["sensitivity"]
    return JournalTable(
        "sensitivity",
        "Straight lines, unmeasured causes and single events in the primary models",
        (
            "Metric",
            "Hazard ratio as measured",
            f"Non{NO_BREAK_HYPHEN}linearity, p",
            f"E{NO_BREAK_HYPHEN}value (of the limit)",
            "Without each event: hazard ratio",
            "Without each event: p",
            "Sign changes",
        ),
        _rows(context, ledger, _choices),
        notes=(
            (
                "Hazard ratios with intervals at ",
                setting(context.confidence_level),
                ". Non-linearity: likelihood-ratio test of a restricted cubic spline with ",
                setting(settings["spline_knots"]),
                " knots against the straight line, one metric at a time; a large p does not show "
                "that the line is straight. E-value: the risk ratio that an unmeasured confounder "
                "would need with both the metric and the injury, beyond the covariates, to explain "
                "the hazard ratio away; in brackets, to move the limit of the interval to one (one "
                "where the interval contains one). Without each event: smallest and largest "
                "result of the models refitted without one event's athlete each, planned for "
                "fewer than ",
                setting(settings["leave_one_event_out_below"]),
                " events. No p-value here is adjusted; nothing here replaces a primary result.",
            ),
        ),
        absent="no primary model was run",
    )
