"""Problems as data: what was found where, what was expected, and how to mend it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Severity = Literal["stops_study", "excludes_recording"]


@dataclass(frozen=True, order=True)
class Problem:
    """One finding about an input.

    Parameters
    ----------
    severity : ``stops_study`` or ``excludes_recording``
    rule : short machine-readable name of the broken rule, e.g. ``unknown_athlete``
    file : file as the user knows it, relative to the study folder
    row, column : place inside the file; the row counts as a spreadsheet does (header = row 1)
    found, expected, mend : one short sentence each, for a person
    """

    severity: Severity
    rule: str
    file: str
    row: int | None
    column: str | None
    found: str
    expected: str
    mend: str

    def render(self) -> str:
        """Return the finding as a short block of text."""
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column {self.column}"
        return (
            f"{place}\n"
            f"    found     {self.found}\n"
            f"    expected  {self.expected}\n"
            f"    mend      {self.mend}   [{self.rule}]"
        )


class StudyError(Exception):
    """A mistake in the input of a study; carries every problem found, not only the first."""

    def __init__(self, problems: Sequence[Problem] | Problem):
        self.problems: tuple[Problem, ...] = (
            (problems,) if isinstance(problems, Problem) else tuple(problems)
        )
        super().__init__(self.render())

    def render(self) -> str:
        """Return all problems, worst first, as text for a terminal."""
        ordered = sorted(self.problems, key=lambda p: (p.severity != "stops_study", p.file))
        count = len(ordered)
        heading = "1 problem" if count == 1 else f"{count} problems"
        return "\n\n".join([f"{heading} found:", *(problem.render() for problem in ordered)])


def stops(
    rule: str,
    file: str,
    *,
    found: str,
    expected: str,
    mend: str,
    row: int | None = None,
    column: str | None = None,
) -> Problem:
    """Return a problem that stops the study."""
    return Problem("stops_study", rule, file, row, column, found, expected, mend)


def refusal(
    rule: str,
    file: str,
    *,
    found: str,
    expected: str,
    mend: str,
    row: int | None = None,
    column: str | None = None,
) -> Problem:
    """Return a problem that takes one recording out of the study."""
    return Problem("excludes_recording", rule, file, row, column, found, expected, mend)


def stop(
    rule: str, file: str, *, found: str, expected: str, mend: str, row: int | None = None
) -> StudyError:
    """Return a `StudyError` with one problem that stops the study."""
    return StudyError(stops(rule, file, found=found, expected=expected, mend=mend, row=row))
