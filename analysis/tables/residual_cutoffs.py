"""Table of the quality page: the cut-offs that were set, and those that residuals suggest."""

from __future__ import annotations

import math
from collections.abc import Iterator

from analysis.estimates import number_id, subjects_of
from analysis.labels import sentence_case, unit_shown, words
from analysis.models.residual_cutoffs import ANALYSIS, SENSORS
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import Cell, JournalTable, Row

_QUANTITIES = {
    "recordings": ("count", ""),
    "configured_cutoff": ("measure", "not filtered"),
    "suggested_cutoff": ("measure", "none"),
    "noise": ("measure", "none"),
    "tail_fall": ("two_decimals", "none"),
}
"""Quantity -> style, and what stands where there is none, in the order of the columns."""


def _cells(ledger: Ledger, where: tuple[str, ...], task: str) -> Iterator[Cell]:
    for quantity, (style, otherwise) in _QUANTITIES.items():
        address = number_id(ANALYSIS, where, task, quantity)
        known = not math.isnan(ledger.value(address))
        yield ledger.number(address, style) if known else otherwise


def _curves(context: Context, signal: str) -> list[tuple[tuple[str, ...], str]]:
    """Return (signal and device, task) of the analysed curves, by device, then task."""
    found = [
        (where, task)
        for task in context.study["tasks"]
        for where in subjects_of(context.estimates, ANALYSIS, task, "recordings")
        if where[0] == signal
    ]
    return sorted(found, key=lambda curve: curve[0])


def _rows(context: Context, ledger: Ledger, signal: str) -> Iterator[Row]:
    curves = _curves(context, signal)
    if curves:
        where, task = curves[0]
        rows = context.estimates.set_index("number_id")
        unit = rows.loc[number_id(ANALYSIS, where, task, "noise"), "unit"]
        yield Row((f"{sentence_case(words(signal))} ({unit_shown(unit)})",))
    for where, task in curves:
        label = f"{sentence_case(words(where[1]))}: {context.study['tasks'][task]['label']}"
        yield Row((Exempt(label, "name"), *_cells(ledger, where, task)))


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return configured and suggested cut-offs, noise and tail, by signal, device and task."""
    return JournalTable(
        "residual_cutoffs",
        "Cut-offs: set, and suggested by residual analysis",
        (
            "Device and task",
            "Recordings",
            "Set, Hz",
            "Suggested, Hz",
            "Noise",
            "Fall of the tail",
        ),
        tuple(row for signal in SENSORS for row in _rows(context, ledger, signal)),
        notes=(
            "Noise: root mean square, in the unit of the signal, from the line through the tail. "
            "Fall of the tail: of white noise it is one. None: the tail falls too fast, or too "
            "crookedly, to be noise alone, so that it tells no noise and suggests nothing.",
        ),
        absent="no recording could be analysed",
    )
