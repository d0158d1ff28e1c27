"""Raw files checked by size and header, never by their samples: thousands of files in seconds."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

import pandas as pd

from pipeline.readers.read import read_header
from pipeline.readers.recording import Header
from pipeline.readers.refusals import column_problems, unit_problems
from shared.errors import Problem, StudyError, stops
from shared.privacy import find_identifiers, identifier_in_column_name
from shared.settings.device import DeviceProfile

SYSTEMATIC = 5
"""When all files of a device fail alike and they are this many, the profile is wrong: stop."""


@lru_cache(maxsize=4096)
def _identifiers(text: str) -> tuple[tuple[str, str], ...]:
    return tuple((finding.kind, finding.masked) for finding in find_identifiers(text))


@lru_cache(maxsize=4096)
def _column_kind(name: str) -> str | None:
    return identifier_in_column_name(name)


def identifier_problem(file: str, place: str, kind: str, masked: str) -> Problem:
    """Return the refusal of an identifier in a raw file, its place named and itself masked."""
    return stops(
        "identifier_in_file",
        file,
        column=place,
        found=f"{kind.replace('_', ' ')}: {masked}",
        expected="no names, dates, clock times, addresses or serial numbers",
        mend="export without it, or blank it in the file; keep the key outside the study folder",
    )


def header_privacy(header: Header, file: str) -> list[Problem]:
    """Return the identifiers in column names and other texts of a header."""
    problems = [
        identifier_problem(file, place, kind, masked)
        for place, text in header.text
        for kind, masked in _identifiers(text)
    ]
    for i, name in enumerate(header.columns, start=1):
        if kind := _column_kind(name):
            problems.append(
                identifier_problem(file, f"column {i}", kind, "told by the column's name")
            )
        problems += [
            identifier_problem(file, f"column {i}", kind, masked)
            for kind, masked in _identifiers(name)
        ]
    return problems


def check_file(path: Path, profile: DeviceProfile, file: str) -> list[Problem]:
    """Return every problem that size and header of one raw file tell."""
    try:
        header = read_header(path, profile, file)
    except StudyError as error:
        return list(error.problems)
    return [
        *column_problems(profile, header.columns, file),
        *unit_problems(profile, header.units, file),
        *header_privacy(header, file),
    ]


def check_files(
    rows: pd.DataFrame, devices: Mapping[str, DeviceProfile], folder: Path
) -> dict[int, list[Problem]]:
    """Return the problems by row for the rows (device, path) that have any.

    Rows without a known device or path are left out: the table checks tell about them.
    """
    found: dict[int, list[Problem]] = {}
    for row, device, path in zip(rows.index, rows["device"], rows["path"], strict=True):
        if (
            path
            and device in devices
            and (problems := check_file(folder / path, devices[device], path))
        ):
            found[int(row)] = problems
    return found


def systematic(rows: pd.DataFrame, found: Mapping[int, list[Problem]]) -> list[Problem]:
    """Return a problem that stops the study for each device all of whose files fail alike."""
    problems = []
    for device, group in rows.groupby("device", sort=True):
        failing = [
            {p.rule for p in found.get(int(row), []) if p.severity == "excludes_recording"}
            for row in group.index
        ]
        shared_rules = set.intersection(*failing) if len(failing) >= SYSTEMATIC else set()
        for rule in sorted(shared_rules):
            first = next(p for p in found[int(group.index[0])] if p.rule == rule)
            problems.append(
                stops(
                    rule,
                    f"devices/{device}.yaml",
                    column=first.column,
                    found=f"all {len(group)} files of the device fail; {first.file}: {first.found}",
                    expected=first.expected,
                    mend=first.mend,
                )
            )
    return problems
