"""Bad tables of withdrawals: nobody is withdrawn by a slip of the pen."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from tests.rejects.reject import Reject
from tests.rejects.small_study import SmallStudy


def withdrawals(*rows: tuple[str, ...]) -> Callable[[SmallStudy], object]:
    """Return a break that adds a table of withdrawals: athlete and, where given, raw_data."""

    def add(study: SmallStudy) -> None:
        names = ["athlete_id", "raw_data"][: len(rows[0])]
        study.tables["withdrawals"] = pd.DataFrame(rows, columns=names)

    return add


def _misnamed_column(study: SmallStudy) -> None:
    study.tables["withdrawals"] = pd.DataFrame({"athlete": ["A0002"]})


def _date(study: SmallStudy) -> None:
    withdrawals(("A0002",))(study)
    study.tables["withdrawals"]["told_on"] = "2026-03-14"


WITHDRAWALS = [
    Reject(
        "withdrawal_of_an_unknown_athlete",
        withdrawals(("A0002",), ("A0O03",)),
        *("unknown_athlete", "withdrawals.csv", 3, "athlete_id"),
        *("'A0O03'", "an athlete of athletes.csv", "did you mean 'A0003'"),
    ),
    Reject(
        "withdrawal_in_another_case",
        withdrawals(("a0002",)),
        *("unknown_athlete", "withdrawals.csv", 2, "athlete_id"),
        *("'a0002'", "an athlete of athletes.csv", "do not guess"),
    ),
    Reject(
        "athlete_withdrawn_twice",
        withdrawals(("A0002",), ("A0003",), ("A0002",)),
        *("duplicate_withdrawal", "withdrawals.csv", 4, None),
        *("the same athlete_id as row 2", "one row per athlete_id", "take out the copy"),
    ),
    Reject(
        "withdrawal_without_athlete",
        withdrawals(("", "kept")),
        *("empty_cell", "withdrawals.csv", 2, "athlete_id"),
        *("an empty cell", "a value", "fill it"),
    ),
    Reject(
        "raw_data_said_to_be_deleted_and_there",
        withdrawals(("A0002", "deleted")),
        *("withdrawn_rows_left", "withdrawals.csv", 2, "raw_data"),
        *("athletes.csv, visits.csv, recordings.csv", "no row of the athlete", "write 'kept'"),
    ),
    Reject(
        "raw_data_in_another_word",
        withdrawals(("A0002", "delete")),
        *("unknown_value", "withdrawals.csv", 2, "raw_data"),
        *("'delete'", "kept, deleted", "did you mean 'deleted'?"),
    ),
    Reject(
        "withdrawals_without_the_column",
        _misnamed_column,
        *("missing_column", "withdrawals.csv", 1, "athlete_id"),
        *("'athlete'", "'athlete_id'", "rename the column"),
    ),
    Reject(
        "withdrawal_with_a_date",
        _date,
        *("identifier_in_table", "withdrawals.csv", 2, "told_on"),
        *("date", "pseudonyms only", "take it out"),
        secret="2026-03-14",
    ),
]
