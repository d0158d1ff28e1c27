"""Table: every analysis that was not run, with its reason; absence is never success."""

from __future__ import annotations

from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import JournalTable, Row


def _subject(subject: str) -> str:
    parts = [part for part in subject.split(".") if part != "all"]
    return ", ".join(words(part) for part in parts) or "all of it"


def build(context: Context, ledger: Ledger) -> JournalTable:  # noqa: ARG001 (prints no number)
    """Return what was not run, in the order of the addresses."""
    rows = context.estimates
    refused = rows.loc[rows["quantity"] == "not_run"]
    lines = tuple(
        Row(
            (
                Exempt(sentence_case(words(row["analysis"])), "name"),
                Exempt(_subject(row["subject"]), "name"),
                Exempt(row["note"], "reason"),
            )
        )
        for row in refused.to_dict("records")
    )
    return JournalTable(
        "not_run",
        "What was not run, and why",
        ("Analysis", "What", "Reason"),
        lines,
        absent="there is nothing to list, every analysis of the run gave its numbers",
    )
