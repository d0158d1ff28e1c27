"""Table: reliability of the metrics; the plan's predictors first, with intervals."""

from __future__ import annotations

import math
from collections.abc import Iterator

from analysis.estimates import number_id, subjects_of
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.models.metric_reliability import ANALYSIS, AS_SHARE, LOG_SCALE
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Row

_COLUMNS = (
    ("athlete", "standard_deviation", "measure"),
    ("visit", "standard_deviation", "measure"),
    ("trial", "standard_deviation", "measure"),
    ("one_trial", "reliability", "two_decimals"),
    ("mean_of_trials", "reliability", "two_decimals"),
    ("error_of_mean", "standard_error_of_measurement", "measure"),
    ("detectable_change", "detectable_change", "measure"),
)
_WITH_INTERVAL = {"mean_of_trials", "detectable_change"}
"""Intervals that the table prints; all of them stand in the estimates."""


def _cells(ledger: Ledger, subject: tuple[str, ...], shown: set[str]) -> list[Cell]:
    """Return the numbers of a group, with the intervals of the terms in `shown`."""
    cells = []
    for term, quantity, style in _COLUMNS:
        address = number_id(ANALYSIS, subject, term, quantity)
        share = number_id(ANALYSIS, subject, term, AS_SHARE)
        if ledger.holds(share):
            address, style = share, "percent"
        write = interval_cell if term in shown else Ledger.number
        cells.append(write(ledger, address, style))
    return cells


def _trials(ledger: Ledger, subject: tuple[str, ...], target: str) -> Cell:
    address = number_id(ANALYSIS, subject, target, "trials_needed")
    if math.isnan(ledger.value(number_id(ANALYSIS, subject, "mean_of_trials", "reliability"))):
        return "not estimated"
    if math.isnan(ledger.value(address)):
        return "not reached"
    return ledger.number(address, "count")


def _subjects(context: Context, ledger: Ledger) -> Iterator[tuple[tuple[str, ...], bool]]:
    """Yield each group once, and whether it has intervals: those come first."""
    address = ("athlete", "standard_deviation")
    found = list(subjects_of(context.estimates, ANALYSIS, *address))
    bounded = [
        (subject, not math.isnan(ledger.value(number_id(ANALYSIS, subject, *address), "ci_low")))
        for subject in found
    ]
    yield from sorted(bounded, key=lambda item: not item[1])


def _heading(subject: tuple[str, ...], unit: str) -> Exempt:
    metric, sensor = subject[:2]
    shown = "share of the value" if unit == LOG_SCALE else unit_shown(unit)
    text = f"{sentence_case(metric_label(metric))}, {words(sensor)} ({shown})"
    return Exempt(text, "name")


def _label(context: Context, subject: tuple[str, ...]) -> Exempt:
    _, _, task, *landing, limb = subject
    place = context.study["tasks"].get(task, {"label": words(task)})["label"]
    whose = "whole body" if limb == "both" else words(limb)
    text = ", ".join([sentence_case(place), *(words(word) for word in landing), whose])
    return Exempt(text, "name")


def _rows(context: Context, ledger: Ledger) -> Iterator[Row]:
    units = dict(zip(context.estimates["number_id"], context.estimates["unit"], strict=True))
    above = None
    for subject, with_intervals in _subjects(context, ledger):
        group = (with_intervals, *subject[:2])
        if group != above:
            above = group
            unit = units[number_id(ANALYSIS, subject, "athlete", "standard_deviation")]
            yield Row((_heading(subject, unit),))
        cells = _cells(ledger, subject, _WITH_INTERVAL if with_intervals else set())
        needed = [_trials(ledger, subject, target) for target in ("for_80", "for_90")]
        yield Row((_label(context, subject), *cells, *needed))


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return components of variation, reliability, error and detectable change of each group."""
    return JournalTable(
        "reliability",
        "Reliability of the metrics between visits",
        (
            "Metric, task and limb",
            "SD between athletes",
            "SD between visits",
            "SD between trials",
            "Reliability, one trial",
            "Reliability, mean of the trials",
            "Error of the mean",
            "Detectable change",
            Exempt("Trials for a reliability of 0.80", "setting"),
            Exempt("... of 0.90", "setting"),
        ),
        tuple(_rows(context, ledger)),
        notes=(
            "The plan's predictors come first, with intervals. Standard deviations (SD) from a "
            "mixed model of all valid trials (REML; site, visit and covariates fixed). Reliability "
            "is the share of the variation between athletes, with the visits' own variation "
            "counted as error: more trials at one visit cannot remove that. Error of the mean: "
            "standard error of measurement of the mean of the protocol's trials at one visit. "
            "Detectable change between two visits at the level of nineteen in twenty. Intervals: "
            "parametric bootstrap, percentiles. Metrics that are analysed as logarithms: standard "
            "deviations, error and change are shares of the value (by how much the larger of two "
            "values exceeds the smaller).",
        ),
        absent="reliability was not estimated",
    )
