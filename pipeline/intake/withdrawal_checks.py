"""The table of withdrawals checked against the others: a slip of the pen withdraws nobody."""

from __future__ import annotations

import difflib
from collections.abc import Collection

import pandas as pd

from pipeline.intake.study_tables import StudyTables
from pipeline.intake.withdrawn import OWNER
from pipeline.readers.refusals import masked
from shared.errors import Problem, stops
from shared.privacy import find_identifiers

NEAREST_AT_MOST = 3


def nearest(code: str, known: Collection[str]) -> list[str]:
    """Return the codes that look most like `code`, the nearest first."""
    return difflib.get_close_matches(code, sorted(known), n=NEAREST_AT_MOST, cutoff=0.5)


def look_it_up(code: str, known: Collection[str]) -> str:
    """Return how to mend a code that the study does not know: by looking it up, not by guessing."""
    near = [repr(name) for name in nearest(code, known)]
    asked = f"did you mean {' or '.join(near)}? " if near else ""
    return f"{asked}look the code up and do not guess: another athlete would be withdrawn"


def _unknown(tables: StudyTables, row: int, code: str) -> Problem:
    shown = masked(code) if len(code) > 40 or find_identifiers(code) else repr(code)
    return stops(
        "unknown_athlete",
        tables.file("withdrawals"),
        row=row,
        column="athlete_id",
        found=f"athlete {shown}",
        expected=f"an athlete of {tables.file('athletes')}; or, where the group has taken the "
        "athlete's rows and files out, 'deleted' in the column raw_data",
        mend=look_it_up(code, tables["athletes"]["athlete_id"].tolist()),
    )


def check_withdrawals(tables: StudyTables) -> list[Problem]:
    """Return withdrawals of nobody, and of athletes whose rows are said to be gone and are not."""
    problems = []
    rows = tables["withdrawals"]
    # Without a readable table of athletes every row would be a problem, and one is enough.
    owners = {name: set(found[OWNER]) for name, found in tables.withdrawn.items()}
    known = owners.get("athletes")
    for row, code, raw_data in zip(rows.index, rows["athlete_id"], rows["raw_data"], strict=True):
        left = [name for name, found in owners.items() if code in found]
        if raw_data == "deleted" and left:
            problems.append(
                stops(
                    "withdrawn_rows_left",
                    tables.file("withdrawals"),
                    row=int(row),
                    column="raw_data",
                    found="'deleted', and rows of the athlete in "
                    f"{', '.join(tables.file(name) for name in left)}",
                    expected="no row of the athlete in any study table",
                    mend="take the rows and their files out, or write 'kept'",
                )
            )
        elif raw_data == "kept" and code and known is not None and code not in known:
            problems.append(_unknown(tables, int(row), code))
    return problems


def withdrawal_counts(tables: StudyTables) -> pd.DataFrame:
    """Return the table `withdrawals`: a count without codes; no row without a study table."""
    if "withdrawals" not in tables.files:
        return pd.DataFrame({"level": pd.Series(dtype="object"), "count": pd.Series(dtype="int64")})
    return pd.DataFrame({"level": ["athlete"], "count": [len(tables["withdrawals"])]})
