"""Table: every analysis that was not run, by its reason; absence is never success."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

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


def _shared_end(subjects: Sequence[tuple[str, ...]]) -> int:
    """Return how many last parts all subjects have in common; each keeps its first part."""
    shared = 0
    for parts in zip(*(reversed(subject[1:]) for subject in subjects), strict=False):
        if len(set(parts)) > 1:
            break
        shared += 1
    return shared


@dataclass(frozen=True)
class _Branch:
    """Words that the same further words follow, as metrics of one sensor and task."""

    heads: tuple[str, ...]
    rest: tuple[_Branch, ...] = ()


def _branches(subjects: Iterable[tuple[str, ...]]) -> tuple[_Branch, ...]:
    """Return subjects as a tree; beginnings that go on alike share a branch."""
    by_head: dict[str, list[tuple[str, ...]]] = {}
    for subject in subjects:
        by_head.setdefault(subject[0] if subject else "all", []).append(subject[1:])
    alike: dict[tuple[_Branch, ...], list[str]] = {}
    for head, rests in by_head.items():
        alike.setdefault(_branches(rests) if any(rests) else (), []).append(head)
    return tuple(_Branch(tuple(heads), rest) for rest, heads in alike.items())


def _spelled(branch: _Branch) -> str:
    names = " and ".join(part for part in (", ".join(branch.heads[:-1]), branch.heads[-1]) if part)
    if len(branch.rest) == 1:
        mark = ":" if len(branch.rest[0].heads) > 1 else ","
        return f"{names}{mark} {_spelled(branch.rest[0])}"
    return f"{names} ({_listed(branch.rest)})" if branch.rest else names


def _listed(branches: Iterable[_Branch]) -> str:
    return "; ".join(map(_spelled, branches))


def _lines(analyses: dict[str, list[tuple[str, ...]]]) -> Iterator[Row]:
    """Yield what a reason kept from being run; analyses of the same subjects share their lines."""
    together: dict[tuple[tuple[str, ...], ...], list[str]] = {}
    for analysis, subjects in analyses.items():
        together.setdefault(tuple(dict.fromkeys(subjects)), []).append(analysis_words(analysis))
    for subjects, names in together.items():
        shared = _shared_end(subjects) if len(subjects) > 1 else 0
        end = subjects[0][len(subjects[0]) - shared :]
        what = sentence_case("; ".join(names)) + (f": {', '.join(end)}" if end else "")
        for branch in _branches(subject[: len(subject) - shared] for subject in subjects):
            of_what = sentence_case("; ".join(branch.heads))
            cells = (what, of_what, sentence_case(_listed(branch.rest)))
            yield Row(tuple(Exempt(cell, "name") for cell in cells))


def build(context: Context, ledger: Ledger) -> JournalTable:  # noqa: ARG001 (prints no number)
    """Return each reason once, with all that it kept from being run, the main analyses first."""
    names = names_of(context)
    rows = context.estimates
    refused = rows.loc[rows["quantity"] == "not_run"].to_dict("records")
    by_reason: dict[str, dict[str, list[tuple[str, ...]]]] = {}
    for row in sorted(refused, key=lambda row: _place(row["analysis"])):
        found = by_reason.setdefault(readable(row["note"], names), {})
        found.setdefault(row["analysis"], []).append(_subject(row["subject"], names))
    lines: list[Row] = []
    for reason, analyses in by_reason.items():
        lines += [Row((Exempt(sentence_case(reason), "reason"),)), *_lines(analyses)]
    return JournalTable(
        "not_run",
        "What was not run, and why",
        ("Analysis", "Of what", "Where or how"),
        tuple(lines),
        notes=(
            "Each reason stands once, the main analyses first. The table of estimates holds a row "
            "with its reason for every part of an analysis that was not run.",
        ),
        absent="there is nothing to list, every analysis of the run gave its numbers",
    )
