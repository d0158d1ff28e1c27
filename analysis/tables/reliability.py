"""Tables: reliability of the metrics, from components of variation and from repeated trials."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from analysis.estimates import number_id, subjects_of
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.models.agreement_of_repeats import TRIALS, VISITS, share_term
from analysis.models.metric_reliability import ANALYSIS
from analysis.models.reliability_rows import AS_SHARE, LOG_SCALE
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.tables.cells import interval_cell, interval_cell_or_word
from analysis.tables.journal import Cell, JournalTable, Part, Row, with_interval

_COMPONENTS = (
    ("site", "standard_deviation", "measure"),
    ("athlete", "standard_deviation", "measure"),
    ("visit", "standard_deviation", "measure"),
    ("trial", "standard_deviation", "measure"),
)
_COLUMNS = (
    ("one_trial", "reliability", "two_decimals"),
    ("mean_of_trials", "reliability", "two_decimals"),
    ("error_of_mean", "standard_error_of_measurement", "measure"),
    ("detectable_change", "detectable_change", "measure"),
)
_REPEATS = {TRIALS: "trials", VISITS: "visits"}
"""Tables of repeats -> their words."""


def _cells(
    ledger: Ledger, subject: tuple[str, ...], columns: tuple[tuple[str, str, str], ...]
) -> list[Cell]:
    """Return the numbers of a group with their intervals, on the log scale as shares."""
    cells: list[Cell] = []
    for term, quantity, style in columns:
        address = number_id(ANALYSIS, subject, term, quantity)
        share = number_id(ANALYSIS, subject, term, AS_SHARE)
        if ledger.holds(share):
            address, style = share, "percent"
        cells.append(interval_cell_or_word(ledger, address, style))
    return cells


def _trials(ledger: Ledger, subject: tuple[str, ...], target: str) -> Cell:
    address = number_id(ANALYSIS, subject, target, "trials_needed")
    if math.isnan(ledger.value(number_id(ANALYSIS, subject, "mean_of_trials", "reliability"))):
        return "not estimated"
    low, high = (ledger.value(address, field) for field in ("ci_low", "ci_high"))
    estimate: Part = "not reached"
    if not math.isnan(ledger.value(address)):
        estimate = ledger.number(address, "trials")
    if math.isnan(low):
        return estimate
    fewest = ledger.number(address, "trials", field="ci_low")
    if math.isnan(high):
        return (estimate, f" (at{NO_BREAK_SPACE}least{NO_BREAK_SPACE}", fewest, ")")
    return with_interval(estimate, fewest, ledger.number(address, "trials", field="ci_high"))


def _subjects(context: Context) -> list[tuple[str, ...]]:
    """Return each group once, those of the plan's predictors first."""
    found = subjects_of(context.estimates, ANALYSIS, "athlete", "standard_deviation")
    return sorted(found, key=lambda subject: not _is_predictor(context, subject))


def _is_predictor(context: Context, subject: tuple[str, ...]) -> bool:
    metric, sensor, task, *landing, limb = subject
    number = landing[0].removeprefix("landing_") if landing else "1"
    return any(
        (p["metric"], p["sensor"], p["task"], p["limb"], str(p.get("landing", 1)))
        == (metric, sensor, task, limb, number)
        for p in context.predictors
    )


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


def _with_headings(
    context: Context, rows_of_group: Callable[[tuple[str, ...]], Iterator[Row]]
) -> Iterator[Row]:
    """Yield the rows of every group under the name of its metric and sensor."""
    units = dict(zip(context.estimates["number_id"], context.estimates["unit"], strict=True))
    above = None
    for subject in _subjects(context):
        rows = list(rows_of_group(subject))
        group = (_is_predictor(context, subject), *subject[:2])
        if rows and group != above:
            above = group
            unit = units[number_id(ANALYSIS, subject, "athlete", "standard_deviation")]
            yield Row((_heading(subject, unit),))
        yield from rows


def build_variation(context: Context, ledger: Ledger) -> JournalTable:
    """Return the components of variation of each group."""

    def row(subject: tuple[str, ...]) -> Iterator[Row]:
        clipped = ledger.number(number_id(ANALYSIS, subject, "clipped", "count"), "count")
        yield Row((_label(context, subject), *_cells(ledger, subject, _COMPONENTS), clipped))

    return JournalTable(
        "variation",
        "Variation of the metrics between sites, athletes, visits and trials",
        (
            "Metric, task and limb",
            "SD between sites",
            "SD between athletes",
            "SD between visits",
            "SD between trials",
            "Clipped values",
        ),
        tuple(_with_headings(context, row)),
        notes=(
            (
                "The plan's predictors come first. Standard deviations (SD) from a mixed model of "
                "all valid trials (REML; site, visit and covariates fixed). Intervals at ",
                setting(context.confidence_level),
                ": parametric bootstrap, percentiles; of the SD between sites, from the sites' "
                "adjusted means (Q-profile), wide because sites are few. Metrics that are analysed "
                "as logarithms: shares of the value (by how much the larger of two values exceeds "
                "the smaller). Clipped values count as they were read: too small, so that athletes "
                "who land hard differ less from the others, and their trials from each other.",
            ),
        ),
        absent="reliability was not estimated",
    )


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return reliability, error and detectable change of each group."""

    def row(subject: tuple[str, ...]) -> Iterator[Row]:
        needed = [_trials(ledger, subject, target) for target in ("for_80", "for_90")]
        yield Row((_label(context, subject), *_cells(ledger, subject, _COLUMNS), *needed))

    return JournalTable(
        "reliability",
        "Reliability of the metrics between visits",
        (
            "Metric, task and limb",
            "Reliability, one trial",
            "Reliability, mean of the trials",
            "Error of the mean (SEM)",
            Exempt("Detectable change (MDC95)", "name"),
            Exempt("Trials for a reliability of 0.80", "setting"),
            Exempt("... of 0.90", "setting"),
        ),
        tuple(_with_headings(context, row)),
        notes=(
            (
                "From the same models as the table above. Reliability is the share of the "
                "variation between athletes, given site and covariates, with the visits' own "
                "variation counted as error: more trials at one visit cannot remove that. Error"
                " of the mean: standard error of measurement of the mean of the protocol's "
                "trials at one visit. Detectable change between two visits at the level of "
                "nineteen in twenty. "
                "Intervals at ",
                setting(context.confidence_level),
                ": parametric bootstrap, percentiles. Metrics that are analysed as logarithms: "
                "error and change are shares of the value.",
            ),
        ),
        absent="reliability was not estimated",
    )


def _repeats_row(
    context: Context, ledger: Ledger, subject: tuple[str, ...], term: str
) -> Iterator[Row]:
    one = number_id(ANALYSIS, subject, term, "icc_2_1")
    if not ledger.holds(one):
        return
    cells: list[Cell] = [
        ledger.number(one, "count", field="n_athletes"),
        ledger.number(one, "count", field="n_trials"),
        interval_cell(ledger, one, "two_decimals"),
        interval_cell(ledger, number_id(ANALYSIS, subject, term, "icc_2_k"), "two_decimals"),
    ]
    for quantity in ("standard_error_of_measurement", "detectable_change"):
        address, style = number_id(ANALYSIS, subject, term, quantity), "measure"
        share = number_id(ANALYSIS, subject, share_term(term, quantity), AS_SHARE)
        if ledger.holds(share):
            address, style = share, "percent"
        cells.append(interval_cell(ledger, address, style))
    yield Row((_label(context, subject), _REPEATS[term], *cells))


def build_repeats(context: Context, ledger: Ledger) -> JournalTable:
    """Return the intraclass correlations of trials and of visits of each group."""

    def rows(subject: tuple[str, ...]) -> Iterator[Row]:
        for term in _REPEATS:
            yield from _repeats_row(context, ledger, subject, term)

    return JournalTable(
        "repeats",
        "Agreement of repeated trials and visits",
        (
            "Metric, task and limb",
            "Repeats",
            "Athletes",
            "Values",
            Exempt("ICC(2,1)", "name"),
            Exempt("ICC(2,k)", "name"),
            "Error of measurement (SEM)",
            Exempt("Detectable change (MDC95)", "name"),
        ),
        tuple(_with_headings(context, rows)),
        notes=(
            (
                "Repeats are the trials of the clearance visit, or the means of the visits. "
                "Intraclass correlations by two-way random effects, absolute agreement: of one "
                "repeat, and of the mean of all k. Only athletes with every repeat; for trials, k "
                "is the number that at least half of the athletes have. Nothing is adjusted, so "
                "that differences between sites and of age or sex count as differences between "
                "athletes, and a change common to all athletes counts as error; the table of the "
                "components takes both out. Trials of one visit share whatever is peculiar to the "
                "visit, and so agree better than visits do. Intervals at ",
                setting(context.confidence_level),
                ": F for the correlations, chi-squared for errors and changes.",
            ),
        ),
        absent="no metric has complete repeats",
    )
