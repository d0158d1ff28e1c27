"""The header and parameter section of a C3D file, read without its samples.

The library reads whole files only; intake looks at many thousands of headers. Layout: the C3D
file format, user guide at c3d.org (header section, parameter section).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from math import prod

BLOCK = 512
_MAGIC = 0x50
_MIPS = 86  # processor type of big-endian files
_TEXT = -1


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


def _parameter(content: bytes, at: int) -> tuple[str, ...]:
    """Return the texts of the parameter whose type byte stands at `at`; () for numbers."""
    kind, count = struct.unpack_from("bB", content, at)
    if kind != _TEXT:
        return ()
    dimensions = tuple(content[at + 2 : at + 2 + count])
    begin = at + 2 + count
    return _texts(content[begin : begin + prod(dimensions)], dimensions)


def parse_header(content: bytes) -> C3dHeader:
    """Return the header of the C3D file that starts with `content`; `ValueError` if it is none."""
    start = _parameter_start(content)
    end = min(parameter_bytes(content), len(content))
    order = ">" if content[start + 3] == _MIPS else "<"
    groups: dict[int, str] = {}
    found: list[tuple[int, str, tuple[str, ...]]] = []
    at = start + 4
    while at + 2 < end:
        length, number = struct.unpack_from("bb", content, at)
        length = abs(length)
        if length == 0 or number == 0:
            break
        name = content[at + 2 : at + 2 + length].decode("latin-1").upper()
        at += 2 + length
        if at + 2 > end:
            break
        to_next = struct.unpack_from(f"{order}H", content, at)[0]
        if number < 0:
            groups[-number] = name
        else:
            found.append((number, name, _parameter(content, at + 2)))
        if to_next == 0:
            break
        at += to_next
    texts = {f"{groups.get(number, '?')}:{name}": value for number, name, value in found if value}
    return C3dHeader(texts, _expected_bytes(content, order))
