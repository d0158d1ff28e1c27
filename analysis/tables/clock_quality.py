"""Tables of the quality page: samples that were lost, and recordings put on one clock."""

from __future__ import annotations

from analysis.estimates import number_id, subjects_of
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.cells import number_or_word
from analysis.tables.journal import Cell, JournalTable, Row


def _label(context: Context, where: tuple[str, ...]) -> Exempt:
    site, device = where
    return Exempt(f"{sentence_case(context.sites.get(site, site))}, {words(device)}", "name")


def _cells(
    ledger: Ledger, analysis: str, where: tuple[str, ...], columns: tuple[tuple[str, str, str], ...]
) -> list[Cell]:
    """Return the numbers of (term, quantity, style); empty where a device has none."""
    return [
        number_or_word(ledger, number_id(analysis, where, term, quantity), style, "")
        for term, quantity, style in columns
    ]


def build_time_base(context: Context, ledger: Ledger) -> JournalTable:
    """Return by site and device how many samples were lost, and the jitter of time stamps."""
    name = "quality_time_base"
    columns = (
        ("recordings", "count", "count"),
        ("incomplete", "count", "count"),
        ("lost", "count", "count"),
        ("lost", "largest", "count"),
        ("jitter", "median", "measure"),
        ("jitter", "largest", "measure"),
    )
    rows = tuple(
        Row((_label(context, where), *_cells(ledger, name, where, columns)))
        for where in subjects_of(context.estimates, name, "recordings", "count")
    )
    return JournalTable(
        name,
        "Samples lost between the first and the last of a recording",
        (
            "Place and device",
            "Recordings",
            "With samples lost",
            "Samples lost",
            "Most in one recording",
            "Jitter of time stamps, median (ms)",
            "Jitter, largest (ms)",
        ),
        rows,
        notes=(
            "Told by the counter of a device that counts its samples, else by its time stamps; a "
            "format without rows cannot lose any. Jitter: the largest distance of a stamp from the "
            "line through all stamps over the counter; such stamps are not used by themselves.",
        ),
        absent="no recording could be read",
    )


def build_clocks(context: Context, ledger: Ledger) -> JournalTable:
    """Return by site and device how recordings came on the clock of their trial."""
    name = "quality_clocks"
    columns = (
        ("recordings", "count", "count"),
        ("applied", "share", "percent"),
        ("lag", "largest", "measure"),
        ("correlation", "median", "two_decimals"),
        ("correlation", "smallest", "two_decimals"),
        ("residual_lag", "median", "two_decimals"),
        ("residual_lag", "percentile", "two_decimals"),
    )
    estimates = context.estimates.loc[context.estimates["analysis"] == name]
    notes = dict(zip(estimates["number_id"], estimates["note"], strict=True))
    rows, reasons = [], []
    for where in subjects_of(context.estimates, name, "recordings", "count"):
        label = _label(context, where)
        rows.append(Row((label, *_cells(ledger, name, where, columns))))
        if why := notes[number_id(name, where, "applied", "share")]:
            reasons.append(f"{label.text}: {why}.")
    text = f"Where not, most often: {' '.join(reasons)}"
    why_not = (Exempt(text, "reason"),) if reasons else ()
    return JournalTable(
        name,
        "Recordings put on the clock of their trial by a stomp",
        (
            "Place and device",
            "Recordings",
            "On the clock of the trial",
            "Lag, largest (ms)",
            "Correlation, median",
            "Correlation, smallest",
            "Residual lag, median (ms)",
            "Residual lag, high (ms)",
        ),
        tuple(rows),
        notes=(
            "Lags are sizes, whichever clock is ahead; lags and correlations are of recordings "
            "whose stomp gave a lag. A device without numbers shares the clock of another. "
            "Residual lag: what the stomp at the end says beyond that at the start; high: nine in "
            "ten lie below. A recording that is not on the clock of its trial is measured on its "
            "own. The way of the shock to the sensor is part of a lag and cannot be told from it.",
            *why_not,
        ),
        absent="no site synchronises its recordings by a stomp",
    )
