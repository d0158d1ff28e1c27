"""Table of the quality page: what each metric delivered, sensor by sensor."""

from __future__ import annotations

from analysis.estimates import number_id, subjects_of
from analysis.labels import metric_label, sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import JournalTable, Row
from shared.metric_dictionary import metrics

_NAME = "quality_metrics"
_COLUMNS = (
    ("values", "count", "count"),
    ("valid", "share", "percent"),
    ("saturated", "share", "percent"),
    ("undefined", "count", "count"),
)


def build_metrics(context: Context, ledger: Ledger) -> JournalTable:
    """Return each metric by sensor: values, share usable, saturated, and why values are lost."""
    of_table = context.estimates.loc[context.estimates["analysis"] == _NAME]
    notes = dict(zip(of_table["number_id"], of_table["note"], strict=True))
    found = set(subjects_of(context.estimates, _NAME, "values", "count"))
    rows: list[Row] = []
    for sensor in dict.fromkeys(name for metric in metrics().values() for name in metric.sensors):
        lines = []
        for metric in metrics():
            where = (metric, sensor)
            if where not in found:
                continue
            reason = notes[number_id(_NAME, where, "valid", "share")]
            cells = [
                ledger.number(number_id(_NAME, where, term, quantity), style)
                for term, quantity, style in _COLUMNS
            ]
            label = Exempt(sentence_case(metric_label(metric)), "name")
            lines.append(Row((label, *cells, words(reason) if reason else "none")))
        if lines:
            rows += [Row((sentence_case(words(sensor)),)), *lines]
    return JournalTable(
        _NAME,
        "What each metric delivered",
        ("Metric", "Values", "Usable", "Saturated", "Not defined", "Most often lost by"),
        tuple(rows),
        notes=(
            "Usable: no flag takes the value out of the primary analysis. Saturated: the value is "
            "a lower bound. Not defined: the metric does not exist for the landing, which is no "
            "loss and no part of the shares: a force without a second peak or unlike that of a "
            "spring, a stance that ends too soon, one plate under both limbs, clocks joined by a "
            "stomp.",
        ),
        absent="metrics were not described",
    )
