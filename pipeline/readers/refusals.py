"""The sentences with which the readers refuse a file; texts of cells are never echoed in full."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from shared.errors import Problem, StudyError, refusal
from shared.settings.device import DeviceProfile


def masked(text: str) -> str:
    """Return the first character and the length of a text that may hold an identifier."""
    text = text.strip()
    if not text:
        return "an empty cell"
    return f"a text of {len(text)} characters starting with {text[0]!r}"


def unreadable(file: str, expected: str, mend: str, found: str) -> StudyError:
    """Return the error for bytes that are not of the declared format."""
    return StudyError(refusal("unreadable_file", file, found=found, expected=expected, mend=mend))


def empty_file(file: str) -> Problem:
    """Return the problem of a file with nothing in it."""
    return refusal(
        "empty_file",
        file,
        found="0 bytes",
        expected="a recording",
        mend="export the recording again, or take its row out of the recordings table",
    )


def truncated_file(file: str, found: str, expected: str, row: int | None = None) -> Problem:
    """Return the problem of a file that ends too early."""
    return refusal(
        "truncated_file",
        file,
        row=row,
        found=found,
        expected=expected,
        mend="copy or export the file again; the copy was cut short",
    )


def wanted_columns(profile: DeviceProfile, present: Sequence[str]) -> list[str]:
    """Return the columns to read: time, counter and channels, without absent optional ones."""
    known = set(present)
    names = _columns_of_time(profile)
    names += [c.column for c in profile.channels if c.column in known or not c.optional]
    return list(dict.fromkeys(names))


def column_problems(profile: DeviceProfile, present: Sequence[str], file: str) -> list[Problem]:
    """Return one problem per column of the profile that is missing, or stands twice."""
    problems = []
    if len(set(present)) == len(present) and _columns_of(profile) <= set(present):
        return []
    free = [name for name in present if name not in _columns_of(profile)]
    if not {channel.column for channel in profile.channels} & set(present):
        free, wanted = list(present), [channel.column for channel in profile.channels]
    else:
        wanted = wanted_columns(profile, present) + _misspelled(profile, free, present)
    for column in wanted:
        count = list(present).count(column)
        if count == 1:
            continue
        near = difflib.get_close_matches(column, free, n=1, cutoff=0.6)
        problems.append(
            refusal(
                "missing_column" if count == 0 else "duplicate_column",
                file,
                column=column,
                found=_found_columns(present) if count == 0 else f"the column {count} times",
                expected=f"the column {column!r} once (device profile {profile.device!r})",
                mend=f"did you mean {near[0]!r}? Correct the profile or the file"
                if near
                else "correct the column name in the device profile, or export the file again",
            )
        )
    return problems


def unit_problems(profile: DeviceProfile, units: dict[str, str], file: str) -> list[Problem]:
    """Return one problem per column whose unit in the file contradicts the device profile.

    Two spellings of one unit agree; a unit that nobody knows is left to the profile.
    """
    return [
        refusal(
            "unit_contradicts_profile",
            file,
            column=channel.column,
            found=f"unit {units[channel.column]!r} in the file",
            expected=f"unit {channel.unit!r} (device profile {profile.device!r})",
            mend="correct the unit in the device profile if the file is right",
        )
        for channel in profile.channels
        if channel.column in units and not _same_unit(units[channel.column], channel.unit)
    ]


def _same_unit(stated: str, declared: str) -> bool:
    from shared.units import conversion_factor

    if not stated or stated == declared:
        return True
    try:
        return abs(conversion_factor(stated, declared) - 1.0) < 1e-9
    except ValueError as error:
        return "unknown" in str(error)


def _misspelled(profile: DeviceProfile, free: Sequence[str], present: Sequence[str]) -> list[str]:
    """Return absent optional columns for which the file has an unknown, very similar one."""
    return [
        channel.column
        for channel in profile.channels
        if channel.optional
        and channel.column not in present
        and difflib.get_close_matches(channel.column, free, n=1, cutoff=0.85)
    ]


def _columns_of(profile: DeviceProfile) -> set[str]:
    return {channel.column for channel in profile.channels} | set(_columns_of_time(profile))


def _columns_of_time(profile: DeviceProfile) -> list[str]:
    return [place.column for place in (profile.time, profile.counter) if place is not None]


def _found_columns(present: Sequence[str], most: int = 12) -> str:
    shown = ", ".join(repr(name[:30]) for name in present[:most])
    rest = f" and {len(present) - most} more" if len(present) > most else ""
    return f"the columns {shown}{rest}" if present else "no columns"
