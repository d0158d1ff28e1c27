"""Cells that several tables print: an estimate with its interval, a hazard ratio, a p-value."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from analysis.figures.forest_plot import LIMITS
from analysis.labels import sentence_case
from analysis.report.ledger import Exempt, Ledger
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.tables.journal import Cell, Part, with_interval


def interval_cell(ledger: Ledger, address: str, style: str) -> Cell:
    """Return an estimate with its interval; what is not estimated is said in words."""
    estimate = ledger.number(address, style)
    if math.isnan(ledger.value(address)):
        return estimate
    if all(math.isnan(ledger.value(address, field)) for field in LIMITS[1:]):
        return (estimate, " (no interval)")
    low, high = (ledger.number(address, style, field=field) for field in LIMITS[1:])
    return with_interval(estimate, low, high)


def interval_cell_or_word(ledger: Ledger, address: str, style: str, word: str = "not run") -> Cell:
    """Return an estimate with its interval, or a word where there is no such estimate."""
    return interval_cell(ledger, address, style) if ledger.holds(address) else word


def number_or_word(
    ledger: Ledger, address: str, style: str, word: str = "not run", field: str = "estimate"
) -> Cell:
    """Return a number without interval, or a word where there is no such estimate."""
    return ledger.number(address, style, field=field) if ledger.holds(address) else word


def predictor_label(predictor: Mapping[str, Any]) -> Exempt:
    """Return the label of a predictor of the plan, as the first cell of its row."""
    return Exempt(sentence_case(predictor["label"]), "name")


def p_cell(ledger: Ledger, address: str) -> Cell:
    """Return a p-value and in brackets the adjusted one, '' where there was no test."""
    if math.isnan(ledger.value(address, "p")):
        return ""
    cell: list[Part] = [ledger.number(address, "p", field="p")]
    if not math.isnan(ledger.value(address, "p_adjusted")):
        adjusted = ledger.number(address, "p", field="p_adjusted")
        cell += [f"{NO_BREAK_SPACE}(", adjusted, ")"]
    return tuple(cell)
