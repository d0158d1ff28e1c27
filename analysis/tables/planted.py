"""Tables, demo only: what was planted beside what was found."""

from __future__ import annotations

from analysis.estimates import number_id
from analysis.figures.planted import ANALYSIS
from analysis.labels import metric_label, sentence_case, unit_shown, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.report.missing_data import handling_words
from analysis.tables.cells import interval_cell_or_word
from analysis.tables.journal import Cell, JournalTable, Row
from shared.metric_dictionary import metrics

_SENSORS = ("plate", "waist", "gyro", "camera")


def _covers(ledger: Ledger, outcome: str, term: str, word: str) -> str:
    address = number_id(ANALYSIS, outcome, (term, word), "interval_covers")
    if not ledger.holds(address):
        return "not run"
    return "yes" if ledger.value(address) == 1 else "no"


def _effect_row(ledger: Ledger, outcome: str, term: str, label: str) -> Row | None:
    planted = number_id(ANALYSIS, outcome, term, "planted_hazard_ratio")
    if not ledger.holds(planted):
        return None
    cells: list[Cell] = [Exempt(label, "name"), ledger.number(planted, "ratio")]
    corrected = number_id(ANALYSIS, outcome, (term, "corrected"), "found_hazard_ratio")
    cells.append(interval_cell_or_word(ledger, corrected, "ratio"))
    cells.append(_covers(ledger, outcome, term, "corrected"))
    expected = number_id(ANALYSIS, outcome, term, "expected_naive_hazard_ratio")
    naive = number_id(ANALYSIS, outcome, (term, "naive"), "found_hazard_ratio")
    cells.append(ledger.number(expected, "ratio"))
    cells.append(interval_cell_or_word(ledger, naive, "ratio"))
    cells.append(_covers(ledger, outcome, term, "naive"))
    return Row(tuple(cells))


def build_effects(context: Context, ledger: Ledger) -> JournalTable:
    """Return planted and found hazard ratios by primary outcome and primary metric."""
    rows: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        found = (
            _effect_row(ledger, outcome, predictor["name"], sentence_case(predictor["label"]))
            for predictor in context.plan["primary"]
        )
        lines = [row for row in found if row is not None]
        if lines:
            heading = context.outcome_label(outcome)
            rows += [Row((heading,)), *lines]
    return JournalTable(
        "planted",
        "Hazard ratios planted and found",
        (
            "Metric",
            "Planted",
            "Found, corrected",
            "Interval holds it",
            "Left by error",
            "Found, as measured",
            "Interval holds it",
        ),
        tuple(rows),
        notes=(
            (
                f"Found by models {handling_words(context.estimates)}. Planted and corrected: per "
                "standard deviation of the true value at clearance; the "
                "correction is for the error of trials. Left by error and as measured: per "
                "standard deviation of the measured value. Intervals at ",
                setting(context.confidence_level),
                " miss what they should hold now and then, as their level says.",
            ),
        ),
        absent="no planted effect was compared",
    )


def _metric_rows(context: Context, ledger: Ledger, metric: str) -> list[Row]:
    unit = unit_shown(metrics()[metric].unit)
    rows = []
    for sensor in _SENSORS:
        cells: list[Cell] = []
        for site in context.sites:
            subject = (metric, sensor)
            bias = number_id("planted_metrics", subject, site, "bias")
            if not ledger.holds(bias):
                cells += ["none", "none"]
                continue
            spread = number_id("planted_metrics", subject, site, "standard_deviation")
            share = number_id("planted_metrics", subject, site, "relative_bias")
            cells.append(
                (ledger.number(bias, "measure"), " (", ledger.number(share, "percent"), ")")
            )
            cells.append(ledger.number(spread, "measure"))
        if any(cell != "none" for cell in cells):
            label = f"{sentence_case(metric_label(metric))}, {unit} ({words(sensor)})"
            rows.append(Row((Exempt(label, "name"), *cells)))
    return rows


def build_extraction(context: Context, ledger: Ledger) -> JournalTable:
    """Return bias and spread of the extracted metrics against the truth of their signals."""
    rows = [row for metric in metrics() for row in _metric_rows(context, ledger, metric)]
    columns = [
        heading
        for label in context.sites.values()
        for heading in (f"{label}: bias (share)", f"{label}: SD")
    ]
    return JournalTable(
        "extraction_error",
        "Extracted metrics minus the truth of their signals, by site",
        ("Metric (sensor)", *columns),
        tuple(rows),
        notes=(
            "Valid landings of all tasks. Bias: mean of extracted minus true, and as a share of "
            "the mean true value. SD: standard deviation of the difference. None: not measured at "
            "the site. The true knee angle is that of the joint; gyroscopes count it from quiet "
            "standing, so what the knee bends while standing is part of their bias at contact and "
            "at the peak, and cancels in the excursion.",
        ),
        absent="extracted metrics were not compared with the truth",
    )


def build_nuisances(context: Context, ledger: Ledger) -> JournalTable:
    """Return how many planted nuisances of each kind were found."""
    rows = context.estimates
    chosen = rows.loc[(rows["analysis"] == "planted_nuisances") & (rows["term"] == "planted")]
    lines = []
    for kind in chosen["subject"]:
        counts = [
            ledger.number(number_id("planted_nuisances", kind, term, "count"), "count")
            for term in ("planted", "found", "flagged_without_cause")
        ]
        lines.append(Row((Exempt(sentence_case(words(kind)), "name"), *counts)))
    return JournalTable(
        "planted_nuisances",
        "Nuisances planted and found",
        ("Kind", "Planted", "Found", "Recordings flagged without cause"),
        tuple(lines),
        notes=(
            "Planted and found count recordings, athletes, or a sensor unit at a visit (mounted "
            "mirrored). A recording that is too short is flagged only where the window of a "
            "metric reaches past its end; a gap and missing samples are found under either flag.",
        ),
        absent="planted nuisances were not compared",
    )
