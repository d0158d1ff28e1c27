"""Table: recordings, landings and metric values by site, device and task, and the share usable."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.estimates import number_id
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import JournalTable, Row

TITLE = "What was recorded and how much of it was usable"

_SENSORS = ("plate", "waist", "gyro", "camera")


def _line(
    ledger: Ledger, analysis: str, subject: tuple[str, ...], term: str, valid: str, label: str
) -> Iterator[Row]:
    count = number_id(analysis, subject, term, "count")
    if ledger.holds(count):
        share = number_id(analysis, subject, valid, "share")
        yield Row(
            (
                Exempt(label, "name"),
                words(term),
                ledger.number(count, "count"),
                ledger.number(share, "percent"),
            )
        )


def _rows_of_site(context: Context, ledger: Ledger, site: str) -> Iterator[Row]:
    devices = context.study["sites"][site]["devices"]
    tasks = {code: task["label"] for code, task in context.study["tasks"].items()}
    for device in devices:
        for task, label in tasks.items():
            shown = f"{sentence_case(words(device))}: {label}"
            place = (site, device, task)
            yield from _line(ledger, "quality_recordings", place, "recordings", "usable", shown)
    for task, label in tasks.items():
        yield from _line(
            ledger, "quality_landings", (site, task), "landings", "valid", sentence_case(label)
        )
    for sensor in _SENSORS:
        for device in devices:
            for task, label in tasks.items():
                shown = f"{sentence_case(words(sensor))}: {label}"
                where = (site, device, sensor, task)
                yield from _line(ledger, "quality_values", where, "values", "valid", shown)


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return what was recorded at each site, and the landings and values that came of it."""
    rows: list[Row] = []
    for site, label in context.sites.items():
        of_site = list(_rows_of_site(context, ledger, site))
        if of_site:
            rows += [Row((label,)), *of_site]
    return JournalTable(
        "data_quality",
        TITLE,
        ("Device or sensor, and task", "Counted", "All", "Usable"),
        tuple(rows),
        notes=(
            "A recording is usable when it could be read and agrees with its description; a "
            "landing or a metric value when no flag takes it out of the primary analysis. A metric "
            "that does not exist for a landing (a second peak of force where there is one) is not "
            "counted.",
        ),
        absent="data quality was not described",
    )
