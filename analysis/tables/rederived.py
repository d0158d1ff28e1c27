"""Table: landings derived a second time from the raw files, metric by metric."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.audit.comparison import ANALYSIS, scale_of
from analysis.audit.own_trials import METRICS
from analysis.estimates import number_id
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import Cell, JournalTable, Part, Row

_WHOLE = ("all", "all")


def verdict(ledger: Ledger, address: str) -> str:
    """Return whether two paths agree, as the row of estimates at `address` says.

    The page says neither passed nor failed anywhere: they are words about athletes.
    """
    return "agrees" if ledger.value(address) == 1.0 else "differs"


def _row(ledger: Ledger, metric: str, sensor: str, plan: Mapping[str, Any]) -> Row | None:
    def at(quantity: str) -> str:
        return number_id(ANALYSIS, (metric, sensor), "all", quantity)

    unit = unit_shown(scale_of(metric, plan).unit)
    label = Exempt(f"{sentence_case(metric_label(metric))}, {words(sensor)} ({unit})", "name")
    if ledger.holds(at("not_run")):
        return Row((label, "none", "", "", "", "", "not run"))
    if not ledger.holds(at("compared")):
        return None
    cells: list[Cell] = [
        ledger.number(at("compared"), "count"),
        ledger.number(at("median_difference"), "three_decimals"),
        ledger.number(at("largest_difference"), "three_decimals"),
        ledger.number(at("limit"), "measure"),
        ledger.number(at("outside"), "count"),
        verdict(ledger, at("passed")),
    ]
    return Row((label, *cells))


def _notes(ledger: Ledger) -> tuple[Cell, ...]:
    if not ledger.holds(number_id(ANALYSIS, *_WHOLE, "landings")):
        return ()

    def whole(quantity: str, style: str) -> Part:
        return ledger.number(number_id(ANALYSIS, *_WHOLE, quantity), style)

    return (
        (
            "Drawn by a seed, site by site: ",
            whole("landings", "count"),
            " landings (",
            whole("share_of_landings", "percent"),
            " of those with a value). The second value comes from the raw files by readers, "
            "filter, events and formulas of their own, which share no code with the pipeline; "
            "bench calibrations are taken as they stand. Differences: second value minus the "
            "first, in % of it for force, impulse, rates and acceleration, in ms for times, in "
            "degrees for angles. Raw files read: ",
            whole("raw_files", "count"),
            "; changed since the extraction: ",
            whole("raw_files_changed", "count"),
            "; trials that the second path cannot read: ",
            whole("trials_not_read", "count"),
            ".",
        ),
    )


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return what was compared, how far it differs, and whether that is within the limits."""
    rows = [
        row
        for metric, sensors in METRICS.items()
        for sensor in sensors
        if (row := _row(ledger, metric, sensor, context.plan["audit"]["rederivation"])) is not None
    ]
    reason = context.estimates.loc[
        context.estimates["number_id"] == number_id(ANALYSIS, *_WHOLE, "not_run"), "note"
    ]
    return JournalTable(
        "rederived",
        "Landings derived a second time from the raw files",
        (
            "Metric",
            "Values compared",
            "Median difference",
            "Largest difference",
            "Limit",
            "Beyond it",
            "Verdict",
        ),
        tuple(rows),
        notes=_notes(ledger),
        absent=f"not run: {reason.iloc[0]}" if len(reason) else "no landing was derived again",
    )
