"""Table: reliability of the metrics; the plan's predictors first, with intervals."""

from __future__ import annotations

import math
from collections.abc import Iterator

from analysis.estimates import number_id
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.models.metric_reliability import ANALYSIS
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import Cell, JournalTable, Row, with_interval


def _number(ledger: Ledger, address: str, style: str) -> Cell:
    return ledger.number(address, style)


def _interval(ledger: Ledger, address: str, style: str) -> Cell:
    """Return a number with its interval where it has one."""
    if math.isnan(ledger.value(address, "ci_low")):
        return ledger.number(address, style)
    low, high = (ledger.number(address, style, field=f"ci_{end}") for end in ("low", "high"))
    return with_interval(ledger.number(address, style), low, high)


# All intervals stand in the estimates; the table prints those that a reader asks for.
_COLUMNS = (
    ("athlete", "standard_deviation", "measure", _number),
    ("visit", "standard_deviation", "measure", _number),
    ("trial", "standard_deviation", "measure", _number),
    ("one_trial", "reliability", "two_decimals", _number),
    ("mean_of_trials", "reliability", "two_decimals", _interval),
    ("error_of_mean", "standard_error_of_measurement", "measure", _number),
    ("detectable_change", "detectable_change", "measure", _interval),
)


def _trials(ledger: Ledger, subject: tuple[str, ...]) -> Cell:
    address = number_id(ANALYSIS, subject, "for_80", "trials_needed")
    if math.isnan(ledger.value(number_id(ANALYSIS, subject, "mean_of_trials", "reliability"))):
        return "not estimated"
    if math.isnan(ledger.value(address)):
        return "not reached"
    return ledger.number(address, "count")


def _subjects(context: Context) -> Iterator[tuple[tuple[str, ...], bool]]:
    """Yield each group once, as its address reads, and whether it has intervals: those first."""
    rows = context.estimates
    found = rows.loc[(rows["analysis"] == ANALYSIS) & (rows["term"] == "athlete")]
    tail = ".athlete.standard_deviation"
    for with_intervals in (True, False):
        for _, row in found.loc[found["ci_low"].notna() == with_intervals].iterrows():
            address = row["number_id"].removeprefix(f"{ANALYSIS}.").removesuffix(tail)
            yield tuple(address.split(".")), with_intervals


def _heading(subject: tuple[str, ...], unit: str) -> Exempt:
    metric, sensor = subject[:2]
    text = f"{sentence_case(metric_label(metric))}, {words(sensor)} ({unit_shown(unit)})"
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
    for subject, with_intervals in _subjects(context):
        group = (with_intervals, *subject[:2])
        if group != above:
            above = group
            unit = units[number_id(ANALYSIS, subject, "athlete", "standard_deviation")]
            yield Row((_heading(subject, unit),))
        cells = [
            written(ledger, number_id(ANALYSIS, subject, term, quantity), style)
            for term, quantity, style, written in _COLUMNS
        ]
        yield Row((_label(context, subject), *cells, _trials(ledger, subject)))


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
        ),
        tuple(_rows(context, ledger)),
        notes=(
            "The plan's predictors come first, with intervals. Standard deviations (SD) from a "
            "mixed model of all valid trials (REML; site, visit and covariates fixed). Reliability "
            "is the share of the variation between athletes, with the visits' own variation "
            "counted as error: more trials at one visit cannot remove that. Error of the mean: "
            "standard error of measurement of the mean of the protocol's trials at one visit. "
            "Detectable change between two visits at the level of nineteen in twenty. Intervals: "
            "parametric bootstrap, percentiles.",
        ),
        absent="reliability was not estimated",
    )
