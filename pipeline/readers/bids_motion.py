"""BIDS Motion: a table of samples without names, and two files beside it that say what they are.

`*_motion.tsv` holds one column per channel and no line of names; `*_channels.tsv` names them, row
by row, with type and unit; `*_motion.json` tells the sampling rate. Source: Brain Imaging Data
Structure, an open standard (bids-specification.readthedocs.io, chapter Motion). All three lie in
one folder and differ in their endings; what a higher folder would hand down is not looked for.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.readers.delimited_text import HEAD_BYTES, parsed_samples
from pipeline.readers.recording import Header, RawColumns
from pipeline.readers.refusals import column_problems, masked, unreadable, wanted_columns
from shared.errors import StudyError, refusal
from shared.layout import BIDS_MOTION, companions_of
from shared.settings.device import DelimitedText, DeviceProfile

_LAYOUT = DelimitedText(delimiter="\t")
_REQUIRED = ("name", "component", "type", "tracked_point", "units")
_NOT_APPLICABLE = ("", "n/a")
_IDENTIFYING = {
    "DeviceSerialNumber": "serial number",
    "InstitutionName": "name",
    "InstitutionAddress": "name",
    "InstitutionalDepartmentName": "name",
}
"""Keys of the standard whose text tells a unit or a place, in the words of the privacy gate."""


@dataclass(frozen=True)
class Beside:
    """What the two files beside the samples tell.

    Parameters
    ----------
    columns : names of the channels, in the order of the columns
    units : unit by channel, where one is given
    rate_hz : effective sampling rate where it is told, else the nominal one
    text : every other text in both files, as (place, text)
    """

    columns: tuple[str, ...]
    units: dict[str, str]
    rate_hz: float
    text: tuple[tuple[str, str], ...]


def _text_of(path: Path, file: str) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise StudyError(
            refusal(
                "missing_file",
                file,
                found="no such file",
                expected=f"the files that belong to a {BIDS_MOTION} in its folder",
                mend="put it beside the samples, with the same name up to the ending",
            )
        ) from error
    except UnicodeDecodeError as error:
        raise unreadable(file, "text in UTF-8", "save it in UTF-8", "bytes that are not") from error


def _channels(path: Path, file: str) -> list[dict[str, str]]:
    lines = _text_of(path, file).splitlines()
    rows = list(csv.DictReader(lines, delimiter="\t", restkey="", restval=""))
    names = [name.strip() for name in (lines[0].split("\t") if lines else [])]
    if missing := [name for name in _REQUIRED if name not in names]:
        raise StudyError(
            [
                refusal(
                    "missing_column",
                    file,
                    row=1,
                    column=name,
                    found=f"the columns {', '.join(repr(x[:30]) for x in names)}",
                    expected=f"the columns {', '.join(_REQUIRED)}, parted by tabs",
                    mend="add the column; the standard asks for it",
                )
                for name in missing
            ]
        )
    return rows


def _sidecar(path: Path, file: str) -> dict[str, Any]:
    try:
        content = json.loads(_text_of(path, file))
    except json.JSONDecodeError as error:
        raise unreadable(
            file, "a JSON file", "mend it in a text editor", f"no JSON in line {error.lineno}"
        ) from error
    if not isinstance(content, dict):
        raise unreadable(file, "a JSON object", "write it as { ... }", "JSON of another kind")
    return content


def _is_rate(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and value > 0


def _rate(sidecar: dict[str, Any], file: str) -> float:
    for key in ("SamplingFrequencyEffective", "SamplingFrequency"):
        if _is_rate(sidecar.get(key)):
            return float(sidecar[key])
    found = sidecar.get("SamplingFrequency")
    raise StudyError(
        refusal(
            "rate_not_told",
            file,
            column="SamplingFrequency",
            found="nothing" if found is None else masked(str(found)),
            expected="samples per second, a positive number",
            mend="add the rate; the standard asks for it",
        )
    )


def _texts(value: Any, place: str, key: str = "") -> list[tuple[str, str]]:
    """Return every text in a JSON value with its place, and what its key says of it."""
    if isinstance(value, dict):
        return [x for name, part in value.items() for x in _texts(part, f"{place} {name}", name)]
    if isinstance(value, list):
        return [x for part in value for x in _texts(part, place, key)]
    if not isinstance(value, str) or value.strip() in _NOT_APPLICABLE:
        return []
    said = _IDENTIFYING.get(key)
    return [(place, f"{said}: {value}" if said else value)]


def beside(path: Path, file: str) -> Beside:
    """Read the two files beside the samples.

    Raises
    ------
    StudyError
        One of them is missing or unreadable, a column that the standard asks for is missing, or
        no sampling rate is told.
    """
    if not path.name.endswith(BIDS_MOTION):
        raise unreadable(
            file,
            f"a file whose name ends in {BIDS_MOTION}",
            "correct the path in the table recordings, or the format in the device profile",
            "another name",
        )
    (channels, channels_file), (sidecar, sidecar_file) = (
        (other, str(Path(file).with_name(other.name))) for other in companions_of(path)
    )
    rows, content = _channels(channels, channels_file), _sidecar(sidecar, sidecar_file)
    names = tuple(row["name"].strip() for row in rows)
    units = {
        name: row["units"].strip()
        for name, row in zip(names, rows, strict=True)
        if row["units"].strip() not in _NOT_APPLICABLE
    }
    text = [
        (f"{channels.name}, {column}", str(cell))
        for row in rows
        for column, cell in row.items()
        if column not in ("name", "units") and cell
    ]
    text += _texts(content, sidecar.name)
    return Beside(names, units, _rate(content, sidecar_file), tuple(text))


def _check_first_line(content: bytes, columns: tuple[str, ...], file: str) -> None:
    """Refuse a line of names, and a number of cells that is not that of the channels."""
    cells = content.partition(b"\n")[0].decode("latin-1").rstrip("\r").split("\t")
    if set(cells) & set(columns):
        raise StudyError(
            refusal(
                "names_in_motion_file",
                file,
                row=1,
                found="names of channels",
                expected="samples from the first line on; the names stand in _channels.tsv",
                mend="take the line of names out",
            )
        )
    if content.strip() and len(cells) != len(columns):
        raise StudyError(
            refusal(
                "wrong_number_of_cells",
                file,
                row=1,
                found=f"{len(cells)} cells",
                expected=f"{len(columns)} cells, one for each row of _channels.tsv",
                mend="list every column in _channels.tsv, in the order of the file, and part the "
                "cells by tabs",
            )
        )


def read_header(path: Path, profile: DeviceProfile, file: str) -> Header:  # noqa: ARG001  same form for every format
    """Return names, units and texts of the files beside the samples; of these the first line."""
    told = beside(path, file)
    with path.open("rb") as stream:
        start = stream.read(HEAD_BYTES)
    if b"\n" in start:
        _check_first_line(start, told.columns, file)
    return Header(told.columns, told.units, told.text)


def read_columns(content: bytes, profile: DeviceProfile, file: str, told: Beside) -> RawColumns:
    """Return the channels that the profile names.

    Raises
    ------
    StudyError
        Missing or repeated channel, a line of names, text among the samples, lines of unequal
        length, truncated file.
    """
    if problems := column_problems(profile, told.columns, file):
        raise StudyError(problems)
    _check_first_line(content, told.columns, file)
    wanted = wanted_columns(profile, told.columns)
    raw = parsed_samples(content, 0, told.columns, wanted, _LAYOUT, 1, file)
    return RawColumns(raw.columns, told.units, told.rate_hz, 1)
