"""Table: what was found to be wrong with recordings and athletes, where, and what was done."""

from __future__ import annotations

from analysis.estimates import number_id, subjects_of
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.tables.journal import JournalTable, Part, Row

TITLE = "What was found to be wrong, and what was done about it"

_DONE = {
    "mirrored_sensor": "sign restored, values kept and flagged",
    "duplicate_recording": "one copy kept, the other excluded",
    "clipped": "values kept and flagged: the true peak is at least as large",
}
_EXCLUDED = "values excluded from the primary analysis"
_KEPT = "values kept and flagged"
_CASES = {
    "bilateral_case": (
        "Both knees reconstructed",
        "both limbs count as involved; left out of limb differences",
    ),
    "event_before_clearance": (
        "Injury before the clearance visit",
        "left out of the landmark cohort",
    ),
}


def _flags(context: Context) -> list[str]:
    found = subjects_of(context.estimates, "nuisances", "all", "count")
    return [flag for (flag,) in found if flag not in _CASES]


def _where(context: Context, ledger: Ledger, flag: str) -> tuple[Part, ...]:
    parts: list[Part] = []
    for site, label in context.sites.items():
        for device in context.study["sites"][site]["devices"]:
            address = number_id("nuisances", flag, (site, device), "count")
            if ledger.holds(address):
                name = Exempt(f"{label} ({words(device)}): ", "name")
                parts += ["; " if parts else "", name, ledger.number(address, "count")]
                of_all = number_id("quality_recordings", (site, device), "recordings", "count")
                if ledger.holds(of_all):
                    parts += [f" of{NO_BREAK_SPACE}", ledger.number(of_all, "count")]
    return tuple(parts)


def _flag_row(context: Context, ledger: Ledger, flag: str) -> Row:
    excluding = context.processing["quality"]["excluding_flags"]
    return Row(
        (
            Exempt(sentence_case(words(flag)), "name"),
            ledger.number(number_id("nuisances", flag, "all", "count"), "count"),
            _where(context, ledger, flag),
            _DONE.get(flag, _EXCLUDED if flag in excluding else _KEPT),
        )
    )


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the findings: recordings by what is wrong with them, and special cases of athletes."""
    recordings = [_flag_row(context, ledger, flag) for flag in _flags(context)]
    athletes = [
        Row((label, ledger.number(address, "count"), "", done))
        for case, (label, done) in _CASES.items()
        if ledger.holds(address := number_id("nuisances", case, "all", "count"))
    ]
    rows: list[Row] = []
    for heading, lines in {"Recordings": recordings, "Athletes": athletes}.items():
        if lines:
            rows += [Row((heading,)), *lines]
    return JournalTable(
        "findings",
        TITLE,
        ("Found", "How many", "Where", "What was done"),
        tuple(rows),
        absent="no recording and no athlete was flagged",
    )
