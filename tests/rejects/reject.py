"""One bad input: what is broken in the small study, and the message that must come of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from shared.errors import Severity
from tests.rejects.small_study import SmallStudy


@dataclass(frozen=True)
class Reject:
    """A broken study and its message; `found`, `expected`, `mend` are parts of the sentences."""

    name: str
    breaks: Callable[[SmallStudy], object]
    rule: str
    file: str
    row: int | None
    column: str | None
    found: str
    expected: str
    mend: str
    severity: Severity = "stops_study"
    secret: str = ""


def cell(table: str, row: int, column: str, value: str) -> Callable[[SmallStudy], object]:
    """Return a break that changes one cell of a table."""
    return lambda study: study.cell(table, row, column, value)


def text(file: str, old: str, new: str) -> Callable[[SmallStudy], object]:
    """Return a break that replaces a text once in a raw file (file: "row" of recordings)."""

    def change(study: SmallStudy) -> None:
        path = study.path(int(file))
        content = study.files[path].decode()
        assert old in content
        study.files[path] = content.replace(old, new, 1).encode()

    return change
