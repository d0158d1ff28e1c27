"""Identifiers of persons (all invented) in every place where they could stand."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO

import pyarrow.parquet as pq

from tests.rejects.bad_recordings import PLATES, WEARABLES
from tests.rejects.reject import Reject, cell, text
from tests.rejects.small_study import SmallStudy

NO_IDENTIFIERS = "no names, dates, clock times"


def _column(table: str, name: str, value: str) -> Callable[[SmallStudy], object]:
    def change(study: SmallStudy) -> None:
        study.tables[table][name] = value

    return change


def _file_name(study: SmallStudy) -> None:
    dated = "recordings/A0001_20240513.csv"
    study.files[dated] = study.files[PLATES]
    study.cell("recordings", 2, "path", dated)


def _parquet_metadata(study: SmallStudy) -> None:
    table = pq.read_table(BytesIO(study.files[WEARABLES]))
    buffer = BytesIO()
    pq.write_table(table.replace_schema_metadata({"device": "serial no. KX-99812"}), buffer)
    study.files[WEARABLES] = buffer.getvalue()


PRIVACY = [
    Reject(
        "column_of_names",
        _column("athletes", "last_name", "x"),
        *("identifier_in_table", "athletes.csv", 1, "12 (name starts with 'l', 9 characters)"),
        *("name: told by the column's name", NO_IDENTIFIERS, "take it out"),
    ),
    Reject(
        "column_of_birth_dates",
        _column("athletes", "DOB", "x"),
        *("identifier_in_table", "athletes.csv", 1, "12 (name starts with 'D', 3 characters)"),
        *("date: told by the column's name", NO_IDENTIFIERS, "outside the study folder"),
    ),
    Reject(
        "date_in_a_column_of_days",
        cell("visits", 2, "days_since_surgery", "13.05.2024"),
        *("date_in_table", "visits.csv", 2, "days_since_surgery"),
        *("a date, a text of 10 characters", "a number of days", "dates identify a person"),
        secret="13.05",
    ),
    Reject(
        "date_in_free_text",
        cell("outcomes", 2, "confirmed_by", "imaging on 3 June 2024"),
        *("identifier_in_table", "outcomes.csv", 2, "confirmed_by"),
        *("date: 3… (11 characters)", NO_IDENTIFIERS, "take it out"),
        secret="June",
    ),
    Reject(
        "name_in_free_text",
        cell("outcomes", 2, "confirmed_by", "surgery by Jane Doe"),
        *("identifier_in_table", "outcomes.csv", 2, "confirmed_by"),
        *("name: J… (8 characters)", NO_IDENTIFIERS, "take it out"),
        secret="Doe",
    ),
    Reject(
        "e_mail_in_an_extra_column",
        _column("athletes", "remark", "ask jdoe@example.org"),
        *("identifier_in_table", "athletes.csv", 2, "remark"),
        *("e mail: j… (16 characters)", NO_IDENTIFIERS, "take it out"),
        secret="example.org",
    ),
    Reject(
        "phone_in_an_extra_column",
        _column("athletes", "remark", "+44 20 7946 0958"),
        *("identifier_in_table", "athletes.csv", 2, "remark"),
        *("phone: +… (16 characters)", NO_IDENTIFIERS, "take it out"),
        secret="7946",
    ),
    Reject(
        "serial_number_as_unit_code",
        cell("calibrations", 2, "unit_code", "KX4471902"),
        *("identifier_in_table", "calibrations.csv", 2, "unit_code"),
        *("serial number: K… (9 characters)", NO_IDENTIFIERS, "take it out"),
        secret="4471902",
    ),
    Reject(
        "date_in_a_file_name",
        _file_name,
        *("identifier_in_table", "recordings.csv", 2, "path"),
        *("date: 2… (8 characters)", NO_IDENTIFIERS, "take it out"),
        secret="20240513",
    ),
    Reject(
        "operator_in_a_file_header",
        text("2", "two force plates", "Operator: Jane Doe"),
        *("identifier_in_file", PLATES, None, "header line 1"),
        *("name: J… (8 characters)", NO_IDENTIFIERS, "export without it"),
        secret="Doe",
    ),
    Reject(
        "clock_time_in_a_file_header",
        text("2", "time from trigger", "started 10:22:31"),
        *("identifier_in_file", PLATES, None, "header line 2"),
        *("clock time: 1… (8 characters)", NO_IDENTIFIERS, "blank it"),
        secret="22:31",
    ),
    Reject(
        "serial_number_in_parquet_metadata",
        _parquet_metadata,
        *("identifier_in_file", WEARABLES, None, "metadata device"),
        *("serial number: s… (19 characters)", NO_IDENTIFIERS, "export without it"),
        secret="99812",
    ),
    Reject(
        "date_as_a_column_of_a_recording",
        text("2", "Fz right [N]", "Fz right [N];Date"),
        *("identifier_in_file", PLATES, None, "column 4"),
        *("date: told by the column's name", NO_IDENTIFIERS, "export without it"),
    ),
]  # fmt: skip
