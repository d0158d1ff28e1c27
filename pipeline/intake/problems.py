"""Small makers of problems, so that every check says the same things in the same words."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import replace

from shared.errors import Problem, Severity


def one_of(values: Iterable[str], most: int = 12) -> str:
    """Return a readable list of what is allowed."""
    values = list(values)
    more = f", ... ({len(values)} in all)" if len(values) > most else ""
    return f"one of: {', '.join(values[:most])}{more}"


def did_you_mean(found: str, known: Sequence[str], otherwise: str) -> str:
    """Return the question for the nearest known word, or `otherwise`."""
    folded = {word.casefold().replace("-", "_").replace(" ", "_"): word for word in known}
    plain = found.casefold().replace("-", "_").replace(" ", "_")
    near = difflib.get_close_matches(plain, list(folded), n=1)
    return f"did you mean {folded[near[0]]!r}?" if near else otherwise


def at_most(problems: Sequence[Problem], most: int = 5) -> list[Problem]:
    """Return the problems with long series of one kind cut; the last one kept tells how many."""
    groups: dict[tuple[Severity, str, str, str | None], list[Problem]] = {}
    for problem in problems:
        # Files of one kind make one series; so do the rows of one column of a table.
        where = (
            problem.file if problem.row is not None and problem.severity == "stops_study" else ""
        )
        groups.setdefault((problem.severity, problem.rule, where, problem.column), []).append(
            problem
        )
    kept: list[Problem] = []
    for group in groups.values():
        if len(group) <= most + 1:
            kept += group
            continue
        last = group[most - 1]
        rest = f"{last.found} (and {len(group) - most:,} more like this)"
        kept += [*group[: most - 1], replace(last, found=rest)]
    return kept
