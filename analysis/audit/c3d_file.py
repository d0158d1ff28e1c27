"""C3D files by the published layout of the format: the analog channels, and nothing else.

Source: The C3D file format user guide (Motion Lab Systems), sections on header, parameters and
analog data (from memory; checked in the tests against the library ezc3d).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]
Parameters = dict[str, NDArray[np.generic] | list[str]]

_BLOCK, _INTEL = 512, 84
_TYPES = {1: "<i1", 2: "<i2", 4: "<f4"}


def _text(raw: bytes, lengths: tuple[int, ...]) -> list[str]:
    width = lengths[0] if lengths else 1
    pieces = [raw[i : i + width] for i in range(0, len(raw), width)] if width else []
    return [piece.decode("utf-8", "replace").rstrip(" \0") for piece in pieces]


def _value(content: bytes, place: int) -> NDArray[np.generic] | list[str]:
    kind, dimensions = struct.unpack_from("<bB", content, place)
    lengths = tuple(content[place + 2 : place + 2 + dimensions])
    start = place + 2 + dimensions
    count = int(np.prod(lengths)) if lengths else 1
    raw = content[start : start + count * abs(kind)]
    if kind == -1:
        return _text(raw, lengths)
    return np.frombuffer(raw, dtype=_TYPES[kind], count=count)


def parameters(content: bytes) -> Parameters:
    """Return the parameters of a file by GROUP:NAME.

    Raises
    ------
    ValueError
        The bytes are not those of a C3D file with Intel numbers.
    """
    place = (content[0] - 1) * _BLOCK
    if content[1] != 0x50 or content[place + 3] != _INTEL:
        raise ValueError("not a C3D file with Intel numbers")
    place += 4
    groups: dict[int, str] = {}
    found: list[tuple[int, str, int]] = []
    while True:
        length, number = struct.unpack_from("<bb", content, place)
        if length == 0 or number == 0:
            break
        length = abs(length)
        name = content[place + 2 : place + 2 + length].decode("ascii", "replace").upper()
        offset_at = place + 2 + length
        (offset,) = struct.unpack_from("<h", content, offset_at)
        if number < 0:
            groups[-number] = name
        else:
            found.append((number, name, offset_at + 2))
        if offset == 0:
            break
        place = offset_at + offset
    return {f"{groups.get(group, '')}:{name}": _value(content, at) for group, name, at in found}


def _labels(known: Parameters) -> list[str]:
    return [str(label) for label in known.get("ANALOG:LABELS", [])]


def _numbers(known: Mapping[str, object], name: str, count: int, default: float) -> Signal:
    values = np.asarray(known.get(name, []), dtype=np.float64)[:count]
    return np.concatenate([values, np.full(count - len(values), default)])


def read_c3d(path: Path, names: list[str]) -> tuple[dict[str, Signal], float]:
    """Return the analog channels with these labels, and their rate.

    Raises
    ------
    ValueError
        Not a C3D file with Intel numbers, or its samples are cut short.
    """
    content = path.read_bytes()
    known = parameters(content)
    points, per_frame = struct.unpack_from("<HH", content, 2)
    (point_scale,) = struct.unpack_from("<f", content, 12)
    data_block, samples_per_frame = struct.unpack_from("<HH", content, 16)
    kind = np.dtype("<f4" if point_scale < 0 else "<i2")
    width = 4 * points + per_frame
    body = np.frombuffer(content, dtype=kind, offset=(data_block - 1) * _BLOCK)
    first, last = struct.unpack_from("<HH", content, 6)
    frames = int(_numbers(known, "POINT:FRAMES", 1, last - first + 1)[0]) & 0xFFFF
    if len(body) < frames * width:
        raise ValueError("the C3D file is cut short")
    channels = per_frame // max(samples_per_frame, 1)
    samples = body[: frames * width].reshape(frames, width)[:, 4 * points :]
    table = samples.reshape(frames * samples_per_frame, channels)
    general = float(_numbers(known, "ANALOG:GEN_SCALE", 1, 1.0)[0])
    scale = _numbers(known, "ANALOG:SCALE", channels, 1.0) * general
    offset = _numbers(known, "ANALOG:OFFSET", channels, 0.0)
    rate = float(_numbers(known, "ANALOG:RATE", 1, 0.0)[0])
    columns = {
        label: (table[:, i].astype(np.float64) - offset[i]) * scale[i]
        for i, label in enumerate(_labels(known)[:channels])
        if label in names
    }
    return columns, rate
