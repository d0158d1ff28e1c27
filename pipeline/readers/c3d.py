"""C3D files: analog channels by label; units and rate as the file states them."""

from __future__ import annotations

import tempfile
from contextlib import suppress
from pathlib import Path

from pipeline.readers.c3d_header import BLOCK, C3dHeader, parameter_bytes, parse_header
from pipeline.readers.recording import Header, RawColumns
from pipeline.readers.refusals import column_problems, truncated_file, unreadable, wanted_columns
from shared.errors import StudyError
from shared.settings.device import DeviceProfile

# Vocabulary of the format, names of channels (checked as column names), and what the writing
# library says about itself.
_NOT_FREE_TEXT = (
    "EZC3D:",
    "ANALOG:LABELS",
    "ANALOG:UNITS",
    "ANALOG:FORMAT",
    "POINT:UNITS",
    "POINT:LABELS",
)


def _unreadable(file: str, found: str) -> StudyError:
    return unreadable(
        file,
        "a C3D file",
        "copy or export the file again, or correct the format in the device profile",
        found,
    )


def _parsed(content: bytes, file: str) -> C3dHeader:
    try:
        return parse_header(content)
    except ValueError as error:
        raise _unreadable(file, str(error)) from error


def _several(texts: dict[str, tuple[str, ...]], name: str) -> tuple[str, ...]:
    # More than 255 labels continue in LABELS2, LABELS3, ...
    parts = [texts.get(name, ())]
    while (following := texts.get(f"{name}{len(parts) + 1}")) is not None:
        parts.append(following)
    return tuple(item for part in parts for item in part)


def _header(parsed: C3dHeader) -> Header:
    labels = _several(parsed.texts, "ANALOG:LABELS")
    units = _several(parsed.texts, "ANALOG:UNITS")
    text = tuple(
        (f"parameter {name}", item)
        for name, items in parsed.texts.items()
        for item in items
        if item and not name.startswith(_NOT_FREE_TEXT)
    )
    return Header(labels, dict(zip(labels, units, strict=False)), text)


def _check_length(parsed: C3dHeader, size: int, file: str) -> None:
    # The library reads what is left of a file that was cut short, without a word.
    if size < parsed.expected_bytes:
        raise StudyError(
            truncated_file(file, f"{size} bytes", f"at least {parsed.expected_bytes} bytes")
        )


def read_header(
    path: Path,
    profile: DeviceProfile,  # noqa: ARG001  same form for every format
    file: str,
) -> Header:
    """Return labels, units and texts of the parameter section, without reading samples."""
    with path.open("rb") as stream:
        content = stream.read(4 * BLOCK)
        with suppress(ValueError):  # refused with a sentence by `_parsed`
            content += stream.read(max(parameter_bytes(content) - len(content), 0))
        size = stream.seek(0, 2)
    parsed = _parsed(content, file)
    _check_length(parsed, size, file)
    return _header(parsed)


def read_columns(content: bytes, profile: DeviceProfile, file: str) -> RawColumns:
    """Return the analog channels that the profile names, scaled as the file says.

    Raises
    ------
    StudyError
        Not a C3D file, truncated file, missing or repeated label.
    """
    parsed = _parsed(content, file)
    _check_length(parsed, len(content), file)
    header = _header(parsed)
    if problems := column_problems(profile, header.columns, file):
        raise StudyError(problems)
    import ezc3d

    # The library opens paths only: it gets the very bytes that were hashed.
    with tempfile.NamedTemporaryFile(suffix=".c3d") as copy:
        copy.write(content)
        copy.flush()
        try:
            library = ezc3d.c3d(copy.name)
            analogs = library["data"]["analogs"][0]
            rate = float(library["parameters"]["ANALOG"]["RATE"]["value"][0])
        except (OSError, RuntimeError, ValueError, IndexError, KeyError) as error:
            raise _unreadable(file, "bytes that the C3D library cannot read") from error
    if len(analogs) < len(header.columns) or not rate > 0.0:
        raise _unreadable(file, f"{len(analogs)} analog channels at {rate:g} Hz")
    position = {name: i for i, name in enumerate(header.columns)}
    columns = {
        name: analogs[position[name]].copy() for name in wanted_columns(profile, header.columns)
    }
    return RawColumns(columns, header.units, rate, 1)
