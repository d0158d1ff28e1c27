"""The result of intake as text for people."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from pipeline.intake.people_checks import Note
from pipeline.intake.problems import at_most
from pipeline.intake.study_tables import StudyTables
from shared.errors import Problem


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


def report_text(
    tables: StudyTables,
    recordings: pd.DataFrame,
    calibrations: pd.DataFrame,
    problems: Sequence[Problem],
    notes: Sequence[Note],
) -> str:
    """Return what was checked, which recordings are left out and why, and what else to know."""
    lines = ["Check of the study before computing", ""]
    for name in sorted(tables.files):
        lines.append(f"  {tables.file(name):24} {_counted(len(tables[name]), 'row')}")
    for name, index in (("recordings", recordings), ("calibrations", calibrations)):
        out = int((~index["usable"]).sum())
        lines.append(f"  {name:24} {_counted(len(index) - out, 'file')} usable, {out:,} left out")
    lines += ["", "Nothing stops the study."]
    heading = _counted(len(problems), "problem") if problems else "No problem"
    lines += ["", f"{heading} with single files:" if problems else f"{heading} with single files."]
    for problem in at_most(problems):
        lines += ["", problem.render()]
    if notes:
        lines += ["", "To know (nothing to mend):"]
        for note in notes:
            place = note.file if note.row is None else f"{note.file}, row {note.row}"
            lines.append(f"  {place}: {note.text}")
    return "\n".join(lines) + "\n"
