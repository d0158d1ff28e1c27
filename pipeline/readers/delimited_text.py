"""CSV and TSV files: any delimiter, decimal comma, header lines, byte-order mark, encoding."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from pipeline.readers.recording import Header, RawColumns
from pipeline.readers.refusals import (
    column_problems,
    masked,
    truncated_file,
    unreadable,
    wanted_columns,
)
from shared.errors import Problem, StudyError, refusal
from shared.settings.device import DelimitedText, DeviceProfile

HEAD_BYTES = 8192
"""Bytes that hold the header of any sensible file; intake reads no more."""

_LONGEST_LINE = 100_000
_EMPTY_CELLS = ["", "NaN", "nan", "NAN", "-NaN", "-nan", "NA", "N/A", "n/a", "null", "NULL"]
_DELIMITERS = (",", ";", "\t", "|")


@dataclass(frozen=True)
class _Head:
    lines: tuple[str, ...]
    columns: tuple[str, ...]
    end: int


def _layout(profile: DeviceProfile) -> DelimitedText:
    return profile.csv or DelimitedText()


def _is_wide(encoding: str) -> bool:
    return codecs.lookup(encoding).name.startswith(("utf-16", "utf-32"))


def _to_narrow(content: bytes, layout: DelimitedText) -> bytes:
    """Return the bytes in an encoding where a digit is one byte, which the parser needs."""
    if not _is_wide(layout.encoding):
        return content
    return content.decode(layout.encoding, errors="replace").encode()


def _head(content: bytes, layout: DelimitedText, file: str) -> _Head:
    """Return the header lines, the column names and where the samples begin."""
    encoding = "utf-8" if _is_wide(layout.encoding) else layout.encoding
    lines: list[str] = []
    start = len(codecs.BOM_UTF8) if content.startswith(codecs.BOM_UTF8) else 0
    for _ in range(layout.header_lines + 1):
        stop = content.find(b"\n", start)
        stop = len(content) if stop < 0 else stop
        try:
            lines.append(content[start:stop].decode(encoding).rstrip("\r"))
        except UnicodeDecodeError as error:
            raise unreadable(
                file,
                f"text in the encoding {layout.encoding}",
                "state the encoding in the device profile, e.g. encoding: latin-1",
                f"bytes in line {len(lines) + 1} that are not in this encoding",
            ) from error
        start = stop + 1
    if "\0" in lines[-1] or len(lines[-1]) > _LONGEST_LINE:
        raise unreadable(
            file,
            "a text file",
            "export as CSV, or correct the format in the device profile",
            "binary content, or no line ends",
        )
    names = next(csv.reader([lines[-1]], delimiter=layout.delimiter), [])
    return _Head(tuple(lines[:-1]), tuple(name.strip().lstrip("\ufeff") for name in names), start)


def _delimiter_problem(head: _Head, profile: DeviceProfile, file: str) -> Problem | None:
    layout = _layout(profile)
    if len(head.columns) != 1 or len(wanted_columns(profile, head.columns)) < 2:
        return None
    others = [mark for mark in _DELIMITERS if mark in head.columns[0]]
    if not others:
        return None
    return refusal(
        "wrong_delimiter",
        file,
        row=layout.header_lines + 1,
        found=f"one single column; the line holds {others[0]!r}",
        expected=f"columns separated by {layout.delimiter!r} (device profile {profile.device!r})",
        mend=f"set csv: delimiter: {others[0]!r} in the device profile, or export again",
    )


def _checked_head(content: bytes, profile: DeviceProfile, file: str) -> _Head:
    head = _head(content, _layout(profile), file)
    if problem := _delimiter_problem(head, profile, file):
        raise StudyError(problem)
    return head


def read_header(path: Path, profile: DeviceProfile, file: str) -> Header:
    """Return the column names and header lines, reading only the beginning of the file."""
    with path.open("rb") as stream:
        content = _to_narrow(stream.read(HEAD_BYTES), _layout(profile))
    head = _checked_head(content, profile, file)
    if problems := _first_row_problems(content, head, profile, file):
        raise StudyError(problems)
    lines = tuple((f"header line {i}", line) for i, line in enumerate(head.lines, start=1))
    return Header(head.columns, {}, lines)


def _first_row_problems(
    content: bytes, head: _Head, profile: DeviceProfile, file: str
) -> list[Problem]:
    """Return what the first row of samples tells about decimal mark and text among numbers."""
    layout = _layout(profile)
    row, end_of_line, _ = content[head.end :].partition(b"\n")
    if not end_of_line:
        return []  # cut by the size of what was read: the last cell may be cut as well
    line = row.decode("latin-1")
    cells = next(csv.reader([line.rstrip("\r")], delimiter=layout.delimiter), [])
    wanted = set(wanted_columns(profile, head.columns))
    return [
        _no_number(file, layout, layout.header_lines + 2, column, cell)
        for column, cell in zip(head.columns, cells, strict=False)
        if column in wanted
        and cell.strip() not in _EMPTY_CELLS
        and not _is_number(cell, layout.decimal)
    ]


def _no_number(
    file: str, layout: DelimitedText, row: int, column: str, text: str, more: str = ""
) -> Problem:
    return refusal(
        "text_in_number_column",
        file,
        row=row,
        column=column,
        found=masked(text) + more,
        expected=f"numbers with {layout.decimal!r} as decimal mark",
        mend="check the decimal mark in the device profile, and take text out of the cells",
    )


def _parse(
    content: bytes,
    start: int,
    columns: tuple[str, ...],
    wanted: dict[str, pa.DataType],
    layout: DelimitedText,
) -> pa.Table:
    # A repeated name is harmless where it is not read; the parser needs distinct ones.
    names = [
        name if columns.index(name) == i else f"{name} #{i + 1}" for i, name in enumerate(columns)
    ]
    return arrow_csv.read_csv(
        pa.BufferReader(pa.py_buffer(memoryview(content)[start:])),
        read_options=arrow_csv.ReadOptions(
            use_threads=False, column_names=names, block_size=1 << 22
        ),
        parse_options=arrow_csv.ParseOptions(
            delimiter=layout.delimiter,
            # Without a quote among the samples, not looking for one is a sixth faster.
            quote_char='"' if content.find(b'"', start) >= 0 else False,
        ),
        convert_options=arrow_csv.ConvertOptions(
            decimal_point=layout.decimal,
            include_columns=list(wanted),
            column_types=wanted,
            null_values=_EMPTY_CELLS,
            strings_can_be_null=True,
        ),
    )


def _is_number(text: str, decimal: str) -> bool:
    try:
        float(text.replace(decimal, ".") if decimal != "." else text)
    except ValueError:
        return False
    return decimal == "." or "." not in text


def _explain(
    samples: bytes,
    columns: Sequence[str],
    wanted: Sequence[str],
    layout: DelimitedText,
    first_row: int,
    file: str,
) -> list[Problem]:
    """Return why lines that the fast parser refused are no samples: read slowly, cell by cell."""
    lines = [line for line in samples.decode("latin-1").splitlines() if line]
    lengths: list[tuple[int, int, int]] = []
    text: dict[str, list[tuple[int, str]]] = {name: [] for name in wanted}
    places = [(columns.index(name), name) for name in wanted]
    # Quotes are taken off by hand: a stray one must not swallow the rest of the file.
    plain = csv.reader(lines, delimiter=layout.delimiter, quoting=csv.QUOTE_NONE)
    for number, cells in enumerate(plain, start=1):
        if len(cells) != len(columns):
            lengths.append((number, len(cells), len(columns)))
            continue
        for place, name in places:
            cell = cells[place].strip(' "')
            if cell not in _EMPTY_CELLS and not _is_number(cell, layout.decimal):
                text[name].append((number, cell))
    problems = [
        _no_number(
            file,
            layout,
            first_row + bad[0][0] - 1,
            name,
            bad[0][1],
            f", and {len(bad) - 1} more such cells" if len(bad) > 1 else "",
        )
        for name, bad in text.items()
        if bad
    ]
    if lengths:
        problems.append(_length_problem(lengths, len(lines) - len(lengths), first_row, file))
    return problems


def _length_problem(
    rows: list[tuple[int, int, int]], samples: int, first_row: int, file: str
) -> Problem:
    number, actual, expected = rows[0]
    row = first_row + number - 1
    if len(rows) == 1 and number > samples and actual < expected:
        return truncated_file(file, f"{actual} cells in the last line", f"{expected} cells", row)
    return refusal(
        "wrong_number_of_cells",
        file,
        row=row,
        found=f"{actual} cells, in {len(rows)} such lines" if len(rows) > 1 else f"{actual} cells",
        expected=f"{expected} cells, one for each column name",
        mend="export the file again; look for a stray delimiter or a decimal comma",
    )


def read_columns(content: bytes, profile: DeviceProfile, file: str) -> RawColumns:
    """Return the columns that the profile names.

    Raises
    ------
    StudyError
        Not text, wrong delimiter, missing column, text in a number column, lines of unequal
        length, truncated file.
    """
    layout = _layout(profile)
    content = _to_narrow(content, layout)
    head = _checked_head(content, profile, file)
    if problems := column_problems(profile, head.columns, file):
        raise StudyError(problems)
    wanted = wanted_columns(profile, head.columns)
    first_row = layout.header_lines + 2
    return parsed_samples(content, head.end, head.columns, wanted, layout, first_row, file)


def parsed_samples(
    content: bytes,
    start: int,
    columns: tuple[str, ...],
    wanted: Sequence[str],
    layout: DelimitedText,
    first_row: int,
    file: str,
) -> RawColumns:
    """Return the wanted columns of the lines from byte `start` on, which hold samples only.

    Parameters
    ----------
    columns
        The names of all columns, in the order of the file.
    first_row
        The row of the first line of samples, as a spreadsheet counts.

    Raises
    ------
    StudyError
        Text in a number column, lines of unequal length, truncated file.
    """
    if not content[start : start + 64].strip():
        return RawColumns({name: np.empty(0) for name in wanted}, {}, None, first_row)
    types = dict.fromkeys(wanted, pa.float64())
    try:
        table = _parse(content, start, columns, types, layout)
    except pa.ArrowInvalid as error:
        raise StudyError(
            _explain(content[start:], columns, wanted, layout, first_row, file)
            or unreadable(
                file, "a delimited text file", "export the file again", "lines that do not parse"
            ).problems
        ) from error
    found = {name: table.column(name).to_numpy() for name in wanted}
    return RawColumns(found, {}, None, first_row)
