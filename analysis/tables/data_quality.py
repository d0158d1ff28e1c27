"""Table: recordings, landings and metric values by site, device and task, and the share usable."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from analysis.estimates import number_id
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.tables.journal import Cell, JournalTable, Row

TITLE = "What was recorded and how much of it was usable"

_SENSORS = ("plate", "waist", "reference_accelerometer", "gyro", "camera")


def _cell(ledger: Ledger, analysis: str, where: tuple[str, ...], counted: str, valid: str) -> Cell:
    """Return the share usable and of how many; '' where nothing was counted."""
    count = number_id(analysis, where, counted, "count")
    if not ledger.holds(count):
        return ""
    share = ledger.number(number_id(analysis, where, valid, "share"), "percent")
    return (share, f" of{NO_BREAK_SPACE}", ledger.number(count, "count"))


def _lines(
    context: Context, ledger: Ledger, site: str, tasks: Sequence[str]
) -> Iterator[tuple[str, list[Cell]]]:
    """Yield label and cells of each line of a site: recordings, then landings, then values."""
    devices = context.study["sites"][site]["devices"]
    for device in devices:
        places = [(site, device, task) for task in tasks]
        yield (
            f"Recordings: {words(device)}",
            [_cell(ledger, "quality_recordings", x, "recordings", "usable") for x in places],
        )
    yield (
        "Landings",
        [_cell(ledger, "quality_landings", (site, x), "landings", "valid") for x in tasks],
    )
    for sensor in _SENSORS:
        found = {}
        for device in devices:
            places = [(site, device, sensor, task) for task in tasks]
            cells = [_cell(ledger, "quality_values", x, "values", "valid") for x in places]
            if any(cells):
                found[device] = cells
        for device, cells in found.items():
            by = f" ({words(device)})" if len(found) > 1 else ""
            yield f"Values: {words(sensor)}{by}", cells


def _recorded(context: Context, ledger: Ledger) -> list[str]:
    """Return the tasks of which any site has a recording, in the order of the settings."""
    return [
        task
        for task in context.study["tasks"]
        if any(
            ledger.holds(number_id("quality_recordings", (site, device, task), "usable", "share"))
            for site, content in context.study["sites"].items()
            for device in content["devices"]
        )
    ]


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return what was recorded at each site, and the landings and values that came of it."""
    tasks = _recorded(context, ledger)
    rows: list[Row] = []
    for site, label in context.sites.items():
        lines = _lines(context, ledger, site, tasks)
        of_site = [Row((Exempt(name, "name"), *cells)) for name, cells in lines if any(cells)]
        if of_site:
            rows += [Row((label,)), *of_site]
    labels = [sentence_case(context.study["tasks"][task]["label"]) for task in tasks]
    return JournalTable(
        "data_quality",
        TITLE,
        ("Counted", *labels),
        tuple(rows),
        notes=(
            "Each cell: the share usable, of how many. A recording is usable when it could be "
            "read and agrees with its description; a landing or a metric value when no flag takes "
            "it out of the primary analysis. A metric that does not exist for a landing (a second "
            "peak of force where there is one) is not counted. Empty: not recorded.",
        ),
        absent="data quality was not described",
    )
