"""Parquet files: columns of numbers; a unit may stand in the metadata of a column (key `unit`)."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.readers.recording import Header, RawColumns
from pipeline.readers.refusals import column_problems, unreadable, wanted_columns
from shared.errors import Problem, StudyError, refusal
from shared.settings.device import DeviceProfile

# Written by libraries for themselves: types of columns, no free text of the user.
_LIBRARY_KEYS = (b"ARROW:schema", b"pandas")


def _unreadable(file: str) -> StudyError:
    return unreadable(
        file,
        "a whole Parquet file",
        "copy or export the file again, or correct the format in the device profile",
        "bytes that are not a whole Parquet file (cut short, or another format)",
    )


def _units(schema: pa.Schema) -> dict[str, str]:
    return {
        field.name: field.metadata[b"unit"].decode("utf-8", "replace")
        for field in schema
        if field.metadata and b"unit" in field.metadata
    }


def _type_problems(schema: pa.Schema, wanted: list[str], file: str) -> list[Problem]:
    problems = []
    for column in wanted:
        kind = schema.field(column).type
        if pa.types.is_floating(kind) or pa.types.is_integer(kind):
            continue
        problems.append(
            refusal(
                "text_in_number_column",
                file,
                column=column,
                found=f"a column of type {kind}",
                expected="a column of numbers",
                mend="write the column as float64; a time stamp as seconds since the trigger",
            )
        )
    return problems


def read_header(path: Path, profile: DeviceProfile, file: str) -> Header:
    """Return column names, units and key-value texts from the footer of the file."""
    try:
        schema = pq.read_schema(path)
    except (pa.ArrowInvalid, OSError) as error:
        raise _unreadable(file) from error
    present = set(schema.names)
    wanted = [name for name in wanted_columns(profile, schema.names) if name in present]
    if problems := _type_problems(schema, wanted, file):
        raise StudyError(problems)
    text = tuple(
        (f"metadata {key.decode('utf-8', 'replace')}", value.decode("utf-8", "replace"))
        for key, value in (schema.metadata or {}).items()
        if key not in _LIBRARY_KEYS
    )
    return Header(tuple(schema.names), _units(schema), text)


def read_columns(content: bytes, profile: DeviceProfile, file: str) -> RawColumns:
    """Return the columns that the profile names, as float64.

    Raises
    ------
    StudyError
        Not a whole Parquet file, missing column, column that holds no numbers.
    """
    try:
        parquet = pq.ParquetFile(pa.BufferReader(content))
        schema = parquet.schema_arrow
        problems = column_problems(profile, schema.names, file)
        wanted = wanted_columns(profile, schema.names)
        if not problems:
            problems = _type_problems(schema, wanted, file)
        if problems:
            raise StudyError(problems)
        table = parquet.read(columns=wanted, use_threads=False)
    except (pa.ArrowInvalid, OSError) as error:
        raise _unreadable(file) from error
    columns = {name: table.column(name).cast(pa.float64()).to_numpy() for name in wanted}
    return RawColumns(columns, _units(schema), None, 1)
