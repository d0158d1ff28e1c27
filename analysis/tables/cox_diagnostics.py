"""Tables: how the primary models fit, and how their metrics hang together."""

from __future__ import annotations

from typing import Any

from analysis.estimates import number_id
from analysis.models.cox_diagnostics import ANALYSIS as DIAGNOSTICS
from analysis.models.cox_diagnostics import COLLINEARITY, THIRDS
from analysis.report.context import Context
from analysis.report.ledger import Ledger, setting
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.tables.cells import interval_cell, number_or_word, predictor_label
from analysis.tables.journal import Cell, JournalTable, Part, Row


def _fit_in_brief(context: Context, ledger: Ledger, outcome: str) -> Cell:
    parts: list[Part] = [context.outcome_label(outcome)]
    tested = number_id("cox_primary", outcome, "global", "proportional_hazards_test")
    deviance, diverging = (
        number_id(DIAGNOSTICS, outcome, "all", quantity)
        for quantity in ("largest_deviance_residual", "diverging_terms")
    )
    for words, address, style, field in (
        ("terms without finite estimate", diverging, "count", "estimate"),
        ("proportional hazards of all terms, p", tested, "p", "p"),
        ("largest deviance residual", deviance, "one_decimal", "estimate"),
    ):
        if ledger.holds(address):
            parts += [f"; {words}{NO_BREAK_SPACE}", ledger.number(address, style, field=field)]
    return tuple(parts)


def _diagnostic_row(ledger: Ledger, outcome: str, predictor: dict[str, Any]) -> Row:
    name = predictor["name"]
    cells = [
        number_or_word(ledger, number_id(DIAGNOSTICS, outcome, name, quantity), style)
        for quantity, style in (
            ("variance_inflation_factor", "two_decimals"),
            ("minimal_detectable_hazard_ratio", "ratio"),
            ("largest_influence", "two_decimals"),
            ("correlation_with_time", "two_decimals"),
        )
    ]
    excess = [
        number_id(DIAGNOSTICS, outcome, (name, third), "observed_minus_expected_events")
        for third in THIRDS
    ]
    return Row(
        (
            predictor_label(predictor),
            *cells,
            *(number_or_word(ledger, item, "one_decimal") for item in excess),
        )
    )


def build_diagnostics(context: Context, ledger: Ledger) -> JournalTable:
    """Return, for the primary models, collinearity, influence, and residuals by group."""
    lines: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        if ledger.holds(number_id(DIAGNOSTICS, outcome, "all", "diverging_terms")):
            lines.append(Row((_fit_in_brief(context, ledger, outcome),)))
            lines += [
                _diagnostic_row(ledger, outcome, predictor) for predictor in context.plan["primary"]
            ]
    return JournalTable(
        "diagnostics",
        "How the primary models fit",
        (
            "Metric",
            "Variance inflation",
            "Detectable hazard ratio",
            "Largest change by one athlete, standard errors",
            "Trend over follow-up",
            "Events beyond expected: lower third",
            "Middle third",
            "Upper third",
        ),
        tuple(lines),
        notes=(
            (
                "Variance inflation: by the other terms of the model; one means none. Detectable: "
                "with a power of ",
                setting(context.power),
                " beside the other terms; as far from one as this, or further. Largest change: of "
                "the log hazard ratio, had any one athlete been left out (dfbeta). Trend: "
                "correlation of scaled Schoenfeld residuals with follow-up; above zero the hazard "
                "ratio rises. Events beyond expected: sums of martingale residuals over thirds of "
                "the athletes by the metric; a bend from third to third speaks against a straight "
                "line. With few events all of these are rough. All but the test of proportional "
                "hazards are of complete cases.",
            ),
        ),
        absent="no primary model was run",
    )


def build_correlations(context: Context, ledger: Ledger) -> JournalTable:
    """Return the correlations of all metrics of the plan, pair by pair."""
    predictors = context.predictors
    lines = []
    for place, one in enumerate(predictors):
        for two in predictors[place + 1 :]:
            address = number_id(COLLINEARITY, one["name"], two["name"], "correlation")
            if ledger.holds(address):
                cell = interval_cell(ledger, address, "two_decimals")
                athletes = ledger.number(address, "count", field="n_athletes")
                lines.append(Row((predictor_label(one), predictor_label(two), cell, athletes)))
    return JournalTable(
        "correlations",
        "Correlation of the metrics at clearance",
        ("Metric", "With", "Correlation", "Athletes"),
        tuple(lines),
        notes=(
            (
                "Pearson's coefficient with intervals at ",
                setting(context.confidence_level),
                " by Fisher's transformation, athletes who have both metrics.",
            ),
        ),
        absent="no two metrics could be correlated",
    )
