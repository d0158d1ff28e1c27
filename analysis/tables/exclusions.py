"""Table: what was excluded, at which level, for which reason, at which site."""

from __future__ import annotations

from analysis.estimates import number_id
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import Cell, JournalTable, Row

TITLE = "Exclusions with reasons, in all and by site"

_LEVELS = {
    "athlete": "Athletes, from the landmark cohort",
    "recording": "Recordings",
    "calibration": "Calibrations",
    "landing": "Landings, from the primary analysis",
    "metric": "Metric values, from the primary analysis",
}


def _reasons(context: Context, level: str) -> list[str]:
    rows = context.estimates
    chosen = (rows["analysis"] == "exclusions") & (rows["unit"] == f"{level}s")
    return sorted(set(rows.loc[chosen & (rows["site"] == ""), "term"]))


def _row(ledger: Ledger, level: str, reason: str, sites: list[str]) -> Row:
    subjects: list[tuple[str, ...]] = [(level,), *((level, site) for site in sites)]
    cells: list[Cell] = [Exempt(sentence_case(words(reason)), "name")]
    for subject in subjects:
        address = number_id("exclusions", subject, reason, "count")
        # A site without a row excluded nothing for this reason; there is no number to print.
        cells.append(ledger.number(address, "count") if ledger.holds(address) else "none")
    return Row(tuple(cells))


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the exclusions from athletes down to metric values."""
    rows: list[Row] = []
    for level, heading in _LEVELS.items():
        reasons = _reasons(context, level)
        if reasons:
            rows.append(Row((heading,)))
            rows += [_row(ledger, level, reason, list(context.sites)) for reason in reasons]
    return JournalTable(
        "exclusions",
        TITLE,
        ("Reason", "All", *context.sites.values()),
        tuple(rows),
        notes=(
            "Nothing is deleted (but for athletes who withdrew consent, of whom the flow holds a "
            "count): excluded rows stay in their tables with the reason, and the "
            "models use exactly the rest. A value may be excluded for more than one reason.",
        ),
        absent="nothing was excluded",
    )
