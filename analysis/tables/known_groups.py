"""Table: instructed landings that are known to differ, and whether the metrics show it."""

from __future__ import annotations

import math

from analysis.estimates import number_id, subjects_of
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.models.known_groups import ANALYSIS
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Row

TITLE = "Soft against stiff instructed landings: metrics that must differ"
_PAIR = "first_against_second"


def _row(ledger: Ledger, subject: tuple[str, ...], expected: str, unit: str) -> Row:
    metric, sensor = subject
    ratio = number_id(ANALYSIS, subject, _PAIR, "ratio")
    is_ratio = ledger.holds(ratio)
    address = ratio if is_ratio else number_id(ANALYSIS, subject, _PAIR, "mean_difference")
    label = f"{sentence_case(metric_label(metric))}, {words(sensor)} ({unit_shown(unit)})"
    means = [_mean(ledger, subject, term) for term in ("first", "second")]
    return Row(
        (
            Exempt(label, "name"),
            *means,
            "ratio" if is_ratio else "difference",
            interval_cell(ledger, address, "ratio" if is_ratio else "measure"),
            (setting(expected), _shown(ledger, address, expected)),
            ledger.number(address, "p", field="p"),
            ledger.number(address, "count", field="n_athletes"),
            ledger.number(address, "count", field="n_trials"),
        )
    )


def _mean(ledger: Ledger, subject: tuple[str, ...], term: str) -> Cell:
    """Return a mean, and the share of its values that are clipped if any are."""
    mean = ledger.number(number_id(ANALYSIS, subject, term, "mean"), "measure")
    clipped = number_id(ANALYSIS, subject, term, "clipped_share")
    if ledger.value(clipped) == 0.0:
        return mean
    return (mean, " (", ledger.number(clipped, "percent"), " clipped)")


def _shown(ledger: Ledger, address: str, expected: str) -> str:
    """Say whether the whole interval lies on the expected side, '' where it is hidden."""
    none = 1.0 if address.endswith("ratio") else 0.0
    low, high = (ledger.value(address, field) for field in ("ci_low", "ci_high"))
    if math.isnan(low) or math.isnan(high):
        return ""
    return ", shown" if (high < none if expected == "lower" else low > none) else ", not shown"


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return one row per metric of the plan's known groups that could be estimated."""
    groups = context.plan["known_groups"] or {"metrics": []}
    expected = {(e["metric"], e["sensor"]): e["expected"] for e in groups["metrics"]}
    units = dict(zip(context.estimates["number_id"], context.estimates["unit"], strict=True))
    rows = [
        _row(
            ledger, subject, expected[subject], units[number_id(ANALYSIS, subject, "first", "mean")]
        )
        for subject in subjects_of(context.estimates, ANALYSIS, "first", "mean")
    ]
    return JournalTable(
        "known_groups",
        TITLE,
        (
            "Metric and sensor",
            "Mean, soft",
            "Mean, stiff",
            "Effect",
            "Soft against stiff (interval)",
            "Expected",
            "p",
            "Athletes",
            "Trials",
        ),
        tuple(rows),
        notes=(
            (
                "Mixed model of single trials (REML), both instructions by the same athletes; site "
                "and operated limb fixed, athlete and limb in athlete random. Intervals at ",
                setting(context.confidence_level),
                ". Expected: which way a soft landing lies from a stiff one (",
                Exempt("DeVita & Skelly 1992, Med Sci Sports Exerc 24:108", "citation"),
                "), and whether the whole interval lies on that side. Clipped peaks count as they "
                "were read, which makes a difference smaller. A metric that does not show it would "
                "not measure what its name says; that it does is no statement about any athlete.",
            ),
        ),
        absent="no instructed landings were recorded by the same athletes",
    )
