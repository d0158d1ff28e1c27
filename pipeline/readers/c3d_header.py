"""The header and parameter section of a C3D file, read without its samples.

The library reads whole files only; intake looks at many thousands of headers. Layout: the C3D
file format, user guide at c3d.org (header section, parameter section).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from math import prod

BLOCK = 512
_MAGIC = 0x50
_MIPS = 86  # processor type of big-endian files
# The standard requires these of every file with analog channels; the library counts on them.
_REQUIRED = {f"POINT:{name}" for name in ("USED", "SCALE", "RATE", "FRAMES", "DATA_START")} | {
    f"ANALOG:{name}" for name in ("USED", "LABELS", "GEN_SCALE", "SCALE", "OFFSET", "RATE")
}
_DAMAGED = "a damaged parameter section"
_SLACK = 1  # writers may pad a record to an even length
_TEXT, _WHOLE = -1, 2
_WIDTHS = {_TEXT: 1, 1: 1, _WHOLE: 2, 4: 4}  # bytes per element by type


@dataclass(frozen=True)
class C3dHeader:
    """Texts of the parameter section by "GROUP:NAME", and the size that the data should have."""

    texts: dict[str, tuple[str, ...]]
    expected_bytes: int


def parameter_bytes(head: bytes) -> int:
    """Return how many bytes from the start of the file hold header and parameters.

    `head` is at least the first block plus the first four bytes of the parameter section.
    Raises `ValueError` when the bytes are not the start of a C3D file.
    """
    start = _parameter_start(head)
    if len(head) < start + 4:
        raise ValueError("the file ends before its parameter section")
    return start + BLOCK * max(head[start + 2], 1)


def _parameter_start(head: bytes) -> int:
    if len(head) < BLOCK or head[1] != _MAGIC or head[0] < 1:
        raise ValueError("not a C3D file")
    return (head[0] - 1) * BLOCK


def _expected_bytes(head: bytes, order: str) -> int:
    points, per_frame, first, last = struct.unpack_from(f"{order}4H", head, 2)
    scale = head[12:16]
    # The sign of the scale says whether samples are floats; its sign bit sits where the
    # processor type puts it (Intel and DEC words against big-endian).
    sign_byte = scale[0] if order == ">" else scale[3] | scale[1]
    width = 4 if sign_byte & 0x80 else 2
    data_start = struct.unpack_from(f"{order}H", head, 16)[0]
    frames = max(last - first + 1, 0)
    return (data_start - 1) * BLOCK + frames * (4 * points + per_frame) * width


def _texts(data: bytes, dimensions: tuple[int, ...]) -> tuple[str, ...]:
    if not dimensions:
        return (data.decode("utf-8", "replace").strip("\0 "),)
    width = dimensions[0]
    if width == 0:
        return ()
    pieces = (data[i : i + width] for i in range(0, len(data), width))
    return tuple(piece.decode("utf-8", "replace").strip("\0 ") for piece in pieces)


@dataclass(frozen=True)
class _Value:
    """A parameter: its texts (none for numbers), its whole numbers, its end in the file."""

    texts: tuple[str, ...]
    numbers: tuple[int, ...]
    end: int


def _parameter(content: bytes, at: int, order: str) -> _Value:
    """Return the parameter whose type byte stands at `at`."""
    kind, count = struct.unpack_from("bB", content, at)
    if kind not in _WIDTHS:
        raise ValueError(_DAMAGED)
    dimensions = tuple(content[at + 2 : at + 2 + count])
    begin = at + 2 + count
    size = prod(dimensions) * _WIDTHS[kind]
    end = begin + size
    if len(dimensions) != count or end >= len(content):
        raise ValueError(_DAMAGED)
    data = content[begin:end]
    texts = _texts(data, dimensions) if kind == _TEXT else ()
    numbers = struct.unpack(f"{order}{size // 2}H", data) if kind == _WHOLE else ()
    return _Value(texts, numbers, end + 1 + content[end])


def _records(content: bytes, start: int, end: int, order: str) -> Iterator[tuple[int, str, _Value]]:
    """Yield (group number, name, value) of the records; the number is negative for a group.

    A record whose length and offset to the next disagree means that the file is damaged there: the
    library would follow the offset to wherever it leads, and might not come back.
    """
    at = start + 4
    while at + 2 < end:
        length, number = struct.unpack_from("bb", content, at)
        if length == 0 or number == 0:
            return
        offset_at = at + 2 + abs(length)
        if offset_at + 3 > end:
            raise ValueError(_DAMAGED)
        name = content[at + 2 : offset_at].decode("latin-1").upper()
        to_next = struct.unpack_from(f"{order}H", content, offset_at)[0]
        if number < 0:
            value = _Value((), (), offset_at + 3 + content[offset_at + 2])
        else:
            value = _parameter(content, offset_at + 2, order)
        yield number, name, value
        if to_next == 0:
            return
        at = offset_at + to_next
        if not value.end <= at <= min(value.end + _SLACK, end):
            raise ValueError(_DAMAGED)


def _check_counts(head: bytes, order: str, numbers: dict[str, tuple[int, ...]]) -> None:
    """Refuse a file whose header and parameters disagree on what a frame holds."""
    points, per_frame = struct.unpack_from(f"{order}2H", head, 2)
    samples = struct.unpack_from(f"{order}H", head, 18)[0]
    used = numbers["POINT:USED"], numbers["ANALOG:USED"]
    if used != ((points,), (per_frame // max(samples, 1),)) or per_frame % max(samples, 1):
        raise ValueError("a header that contradicts the parameters on the number of channels")


def parse_header(content: bytes) -> C3dHeader:
    """Return the header of the C3D file that starts with `content`.

    Raises
    ------
    ValueError
        The bytes are not the start of a C3D file, or the file is damaged there.
    """
    start = _parameter_start(content)
    end = parameter_bytes(content)
    if end > len(content):
        raise ValueError("the file ends within its parameter section")
    order = ">" if content[start + 3] == _MIPS else "<"
    groups: dict[int, str] = {}
    found: list[tuple[int, str, _Value]] = []
    for number, name, value in _records(content[:end], start, end, order):
        if number < 0:
            groups[-number] = name
        else:
            found.append((number, name, value))
    if any(number not in groups for number, _, _ in found):
        raise ValueError(_DAMAGED)
    values = {f"{groups[number]}:{name}": value for number, name, value in found}
    if missing := sorted(_REQUIRED - values.keys()):
        raise ValueError(f"no parameter {missing[0]}")
    _check_counts(content, order, {name: value.numbers for name, value in values.items()})
    texts = {name: value.texts for name, value in values.items() if value.texts}
    return C3dHeader(texts, _expected_bytes(content, order))
