"""Raw files of the invented instruments, each written under a temporary name and moved."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from numpy.typing import NDArray

Columns = dict[str, NDArray[np.float64]]

_DECIMAL_COMMA = bytes.maketrans(b",.", b";,")
_ANALOG_PER_POINT = 5
_ADDRESS = re.compile(rb"[\w.+-]+@[\w-]+\.[\w.]+")


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file so that a half-written one can never be read."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(path.name + ".part")
    temporary.write_bytes(content)
    temporary.replace(path)


def _delimited(columns: Columns, delimiter: str) -> bytes:
    buffer = io.BytesIO()
    options = pyarrow.csv.WriteOptions(
        include_header=False, delimiter=delimiter, quoting_style="none"
    )
    pyarrow.csv.write_csv(pa.table(columns), buffer, options)
    return buffer.getvalue()


def semicolon_csv(columns: Columns, header: tuple[str, ...]) -> bytes:
    """Return CSV with semicolons and decimal commas; `header` lines come first."""
    lines = "".join(f"{line}\n" for line in (*header, ";".join(columns)))
    return lines.encode() + _delimited(columns, ",").translate(_DECIMAL_COMMA)


def tab_separated(columns: Columns, header: tuple[str, ...]) -> bytes:
    """Return tab-separated text with a byte-order mark, as spreadsheets like it."""
    lines = "".join(f"{line}\n" for line in (*header, "\t".join(columns)))
    return lines.encode("utf-8-sig") + _delimited(columns, "\t")


def parquet(columns: Columns) -> bytes:
    """Return Parquet: time as float64, counts as they are, the rest as float32."""
    arrays = {
        name: values if name == "time_s" or values.dtype.kind == "i" else values.astype(np.float32)
        for name, values in columns.items()
    }
    buffer = io.BytesIO()
    pyarrow.parquet.write_table(pa.table(arrays), buffer, compression="zstd")
    return buffer.getvalue()


def _c3d_unit(label: str) -> str:
    if label == "Fz":
        return "N"
    return "m/s2" if label.startswith("ACC") else "deg/s"


def write_c3d(path: Path, columns: Columns, rate_hz: float) -> None:
    """Write analog channels as C3D (c3d.org, open standard)."""
    import ezc3d

    labels = list(columns)
    samples = len(columns[labels[0]]) // _ANALOG_PER_POINT * _ANALOG_PER_POINT
    c3d = ezc3d.c3d()
    parameters = c3d["parameters"]
    parameters["POINT"]["RATE"]["value"] = [rate_hz / _ANALOG_PER_POINT]
    parameters["ANALOG"]["RATE"]["value"] = [rate_hz]
    parameters["ANALOG"]["LABELS"]["value"] = labels
    parameters["ANALOG"]["UNITS"]["value"] = [_c3d_unit(label) for label in labels]
    c3d["data"]["points"] = np.zeros((4, 0, samples // _ANALOG_PER_POINT))
    c3d["data"]["analogs"] = np.stack([columns[label][:samples] for label in labels])[None]
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f"{path.stem}.part.c3d")  # the library insists on the ending
    c3d.write(str(temporary))
    temporary.write_bytes(_without_address(temporary.read_bytes()))
    temporary.replace(path)


def _without_address(content: bytes) -> bytes:
    """Blank the e-mail address which the library leaves in its own parameter group.

    A study file must not carry one. The length stays, so every offset in the file stays valid.
    """
    # Header word 9 counts, in blocks of 512 bytes from 1, where the data begin.
    end = (int.from_bytes(content[16:18], "little") - 1) * 512
    return _ADDRESS.sub(lambda found: b" " * len(found.group()), content[:end]) + content[end:]


_HEADERS = {
    "plates_pair": ("instrument;plates pair", "channels;2", "filter;none"),
    "wearables_fast": ("instrument;wearables fast", "filter;none"),
    "camera_knee": ("knee flexion by camera",),
}
_SUFFIX = {
    "plates_pair": ".csv",
    "wearables_fast": ".csv",
    "camera_knee": ".tsv",
    "wearables_basic": ".parquet",
    "reference_unit": ".parquet",
    "lab_c3d": ".c3d",
}
_TEXT: dict[str, Callable[[Columns, tuple[str, ...]], bytes]] = {
    "plates_pair": semicolon_csv,
    "wearables_fast": semicolon_csv,
    "camera_knee": tab_separated,
}


def suffix_of(device: str) -> str:
    """Return the file name's ending of a device."""
    return _SUFFIX[device]


def write_recording(path: Path, device: str, columns: Columns, rate_hz: float) -> None:
    """Write a recording in the format of its device."""
    if device == "lab_c3d":
        write_c3d(path, columns, rate_hz)
    elif suffix_of(device) == ".parquet":
        write_bytes(path, parquet(columns))
    else:
        write_bytes(path, _TEXT[device](columns, _HEADERS[device]))
