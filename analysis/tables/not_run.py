"""Table: every analysis that was not run, by its reason; absence is never success."""

from __future__ import annotations

from collections.abc import Iterable

from analysis.labels import ANALYSES, analysis_words, sentence_case
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.report.names import name_of, names_of, readable
from analysis.tables.journal import JournalTable, Row

_ORDER = {analysis: place for place, analysis in enumerate(ANALYSES)}


def _place(analysis: str) -> tuple[int, str]:
    return _ORDER.get(analysis, len(_ORDER)), analysis


def _subject(subject: str, names: dict[str, str]) -> tuple[str, ...]:
    return tuple(name_of(part, names) for part in subject.split(".") if part != "all")


def _shared_end(subjects: list[tuple[str, ...]]) -> int:
    """Return how many last parts all subjects have in common; each keeps its first part."""
    shared = 0
    for parts in zip(*(reversed(subject[1:]) for subject in subjects), strict=False):
        if len(set(parts)) > 1:
            break
        shared += 1
    return shared


def _listed(subjects: Iterable[tuple[str, ...]]) -> str:
    """Return subjects in words; what all of them end with, or several begin with, stands once."""
    every = list(dict.fromkeys(subjects))
    shared = _shared_end(every) if len(every) > 1 else 0
    end = every[0][len(every[0]) - shared :] if shared else ()
    by_start: dict[str, list[str]] = {}
    for subject in every:
        if not subject:
            continue
        rest = subject[1 : len(subject) - shared]
        by_start.setdefault(subject[0], []).append(", ".join(rest))
    listed = [
        f"{start} ({'; '.join(part or 'all' for part in rest)})" if any(rest) else start
        for start, rest in by_start.items()
    ]
    if end:
        listed[-1] += f" (each: {', '.join(end)})"
    return "; ".join(listed)


def _what(analyses: dict[str, list[tuple[str, ...]]]) -> str:
    """Return what a reason kept from being run; analyses of the same subjects share a sentence."""
    together: dict[str, list[str]] = {}
    for analysis, subjects in analyses.items():
        together.setdefault(_listed(subjects), []).append(analysis_words(analysis))
    return ". ".join(
        sentence_case("; ".join(names) + (f": {listed}" if listed else ""))
        for listed, names in together.items()
    )


def build(context: Context, ledger: Ledger) -> JournalTable:  # noqa: ARG001 (prints no number)
    """Return each reason once, with all that it kept from being run, the main analyses first."""
    names = names_of(context)
    rows = context.estimates
    refused = rows.loc[rows["quantity"] == "not_run"].to_dict("records")
    by_reason: dict[str, dict[str, list[tuple[str, ...]]]] = {}
    for row in sorted(refused, key=lambda row: _place(row["analysis"])):
        found = by_reason.setdefault(readable(row["note"], names), {})
        found.setdefault(row["analysis"], []).append(_subject(row["subject"], names))
    lines = []
    for reason, analyses in by_reason.items():
        lines.append(
            Row((Exempt(sentence_case(reason), "reason"), Exempt(_what(analyses), "name")))
        )
    return JournalTable(
        "not_run",
        "What was not run, and why",
        ("Reason", "What was not run for it"),
        tuple(lines),
        notes=(
            "Each reason stands once, the main analyses first. The table of estimates holds a row "
            "with its reason for every part of an analysis that was not run.",
        ),
        absent="there is nothing to list, every analysis of the run gave its numbers",
    )
