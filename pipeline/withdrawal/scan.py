"""Look for an athlete in files: tables with their metadata, pages, drawings, archives, records.

Pictures made of pixels are not read; their text chunks are.
"""

from __future__ import annotations

import base64
import binascii
import gzip
import io
import re
import zipfile
import zlib
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.withdrawal.marks import Marks

_EMBEDDED = re.compile(rb";base64,([A-Za-z0-9+/=\s]+)")
_PATH_DATA = re.compile(rb'\sd="[^"]*"')
"""Lines of a drawing: M10 and A1 are movements of the pen there."""

_OWNER_COLUMNS = ("athlete_id", "landing_id", "trial_id", "recording_id", "id")
"""Columns that say whose a row is; the first that a table has counts."""


@dataclass(frozen=True, order=True)
class Trace:
    """A mark of an athlete in a file."""

    file: str
    mark: str


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    return pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_binary(kind)


def _as_bytes(value: object) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode()


def _cells(column: pa.ChunkedArray) -> list[object]:
    """Return the different values of a column of text, those in lists or records as text too."""
    if _is_text(column.type):
        return [value for value in column.unique().to_pylist() if value is not None]
    if pa.types.is_nested(column.type):
        return [str(value) for value in column.to_pylist() if value is not None]
    return []


def _in_table(data: bytes, marks: Marks) -> set[str]:
    source = pq.ParquetFile(io.BytesIO(data))
    schema = source.schema_arrow
    held = [*(schema.metadata or {}).items()]
    held += [pair for each in schema for pair in (each.metadata or {}).items()]
    texts = [part for pair in held for part in pair] + [name.encode() for name in schema.names]
    found = set(marks.in_text(b"\n".join(texts)))
    for name in schema.names:
        cells = _cells(source.read(columns=[name]).column(0))
        found |= set(marks.in_text(b"\n".join(map(_as_bytes, cells))))
        if name in _OWNER_COLUMNS and any(marks.owns(str(cell)) for cell in cells):
            found.add(marks.code)
    return found


def _in_delimited(data: bytes, marks: Marks) -> set[str]:
    """Look into the columns that name athletes; codes that are plain numbers show only there."""
    header, *lines = data.decode("utf-8", errors="replace").splitlines() or [""]
    places = [
        place
        for place, name in enumerate(re.split("[,;\t]", header))
        if name.strip('" ') in _OWNER_COLUMNS
    ]
    rows = (re.split("[,;\t]", line) for line in lines) if places else iter(())
    owned = any(
        marks.owns(row[place].strip('" ')) for row in rows for place in places if place < len(row)
    )
    return {marks.code} if owned else set()


def _in_archive(data: bytes, marks: Marks) -> set[str]:
    found: set[str] = set()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        found |= set(marks.in_text(archive.comment))
        for name in archive.namelist():
            found |= in_content(archive.read(name), marks, name)
    return found


def _in_page(data: bytes, marks: Marks) -> set[str]:
    """Look through a text; what is embedded as base64 is decoded, for it may spell anything."""
    found = set(marks.in_text(_PATH_DATA.sub(b"", _EMBEDDED.sub(b"", data))))
    for embedded in _EMBEDDED.findall(data):
        try:
            found |= in_content(base64.b64decode(embedded), marks)
        except binascii.Error:
            found |= set(marks.in_text(embedded))
    return found


def in_content(data: bytes, marks: Marks, name: str = "") -> set[str]:
    """Return the marks in the content of a file and in its name."""
    found = set(marks.in_text(name.encode()))
    try:
        if data[:4] == b"PAR1":
            return found | _in_table(data, marks)
        if data[:4] == b"PK\x03\x04":
            return found | _in_archive(data, marks)
        if data[:2] == b"\x1f\x8b":
            return found | in_content(gzip.decompress(data), marks)
    except (pa.ArrowInvalid, zipfile.BadZipFile, OSError, EOFError, zlib.error):
        pass  # half a file, as a killed run leaves: its bytes are looked through as text
    if name.endswith((".csv", ".tsv")):
        found |= _in_delimited(data, marks)
    return found | _in_page(data, marks)


def traces(files: Iterable[Path], root: Path, sought: Collection[Marks]) -> Iterator[Trace]:
    """Yield every mark of the athletes in the files; names are told from `root` on."""
    for path in files:
        name, data = path.relative_to(root).as_posix(), path.read_bytes()
        for mark in sorted(set().union(*(in_content(data, marks, name) for marks in sought))):
            yield Trace(name, mark)


def rows_in(path: Path, marks: Marks) -> tuple[int, int]:
    """Return how many rows a Parquet table has, and how many of them are the athlete's."""
    source = pq.ParquetFile(path)
    owner = next((name for name in _OWNER_COLUMNS if name in source.schema_arrow.names), None)
    if owner is None:
        return source.metadata.num_rows, 0
    cells = source.read(columns=[owner]).column(0).value_counts().to_pylist()
    return source.metadata.num_rows, sum(
        cell["counts"] for cell in cells if marks.owns(str(cell["values"]))
    )
