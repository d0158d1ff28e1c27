"""Read one recording of any instrument: bytes once, hash, parse, SI units, checks."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np

from pipeline.readers import bids_motion, c3d, checks, delimited_text, matlab, parquet
from pipeline.readers.counter import rebuilt_time
from pipeline.readers.plausibility import signal_problems
from pipeline.readers.recording import Gap, Header, RawColumns, Recording, Samples
from pipeline.readers.refusals import empty_file, unit_problems
from shared.errors import Problem, StudyError, refusal
from shared.provenance import sha256_of_bytes
from shared.settings.device import DeviceProfile
from shared.units import conversion_factor

FORMATS: dict[str, ModuleType] = {
    "csv": delimited_text,
    "parquet": parquet,
    "c3d": c3d,
    "matlab": matlab,
    "bids_motion": bids_motion,
}
"""Module by format; each has `read_header` and `read_columns`, and loads its library late."""


def _missing(file: str) -> Problem:
    return refusal(
        "missing_file",
        file,
        found="no such file",
        expected="a recording",
        mend="put the file there, or correct the path in the recordings table",
    )


def read_header(path: Path, profile: DeviceProfile, file: str | None = None) -> Header:
    """Return what a file says before its samples; a few kilobytes are read.

    `file` is the name in messages. Raises `StudyError` for a missing, empty or foreign file.
    """
    file = file or path.name
    try:
        if path.stat().st_size == 0:
            raise StudyError(empty_file(file))
    except FileNotFoundError as error:
        raise StudyError(_missing(file)) from error
    header: Header = FORMATS[profile.format].read_header(path, profile, file)
    return header


def _columns(content: bytes, path: Path, profile: DeviceProfile, file: str) -> RawColumns:
    if profile.format == "bids_motion":
        return bids_motion.read_columns(content, profile, file, bids_motion.beside(path, file))
    columns: RawColumns = FORMATS[profile.format].read_columns(content, profile, file)
    return columns


def _times(raw: RawColumns, profile: DeviceProfile, file: str) -> tuple[Samples, float | None]:
    """Return the time of each row and, where a counter stands beside stamps, their jitter."""
    if profile.counter is not None:
        return rebuilt_time(raw, profile.counter, profile, file)
    if profile.time is not None:
        stamps, factor = raw.columns[profile.time.column], conversion_factor(profile.time.unit, "s")
        return stamps if factor == 1.0 else stamps * factor, None
    count = next(iter(raw.columns.values())).size
    return np.arange(count) / (raw.rate_hz or profile.rate_hz), None


def _channels(
    raw: RawColumns, profile: DeviceProfile, samples: int
) -> tuple[dict[str, Samples], dict[str, float]]:
    """Return the channels in SI units, and the largest magnitude of each."""
    present = [channel for channel in profile.channels if channel.column in raw.columns]
    matrix = np.empty((len(present), samples))
    channels, largest = {}, {}
    for channel, row in zip(present, matrix, strict=True):
        np.multiply(raw.columns[channel.column], channel.factor, out=row)
        # Channel by channel: what was just written is still at hand.
        channels[channel.channel] = row
        largest[channel.channel] = checks.largest_magnitude(row)
    return channels, largest


def _time_base(
    time_s: Samples, raw: RawColumns, profile: DeviceProfile, file: str
) -> tuple[float, tuple[Gap, ...], list[Problem]]:
    """Return the usual step in s, the gaps, and what is wrong with units and stamps."""
    column = profile.time.column if profile.time else None
    problems = unit_problems(profile, raw.units, file)
    if (steady_s := checks.steady_step(time_s)) is not None:
        return steady_s, (), problems
    unusable = checks.time_problems(time_s, file, raw.first_row, column)
    if unusable:
        raise StudyError([*problems, *unusable])
    step_s = checks.usual_step(time_s)
    return step_s, checks.find_gaps(time_s, step_s), problems


def _problems_of_signals(
    channels: dict[str, Samples],
    largest: dict[str, float],
    first_row: int,
    profile: DeviceProfile,
    file: str,
) -> list[Problem]:
    problems: list[Problem] = []
    for channel in profile.channels:
        if (name := channel.channel) in channels:
            problems += checks.channel_problems(
                channels[name], largest[name], channel, file, first_row
            )
    return problems + signal_problems(channels, profile, file)


def read_recording(path: Path, profile: DeviceProfile, file: str | None = None) -> Recording:
    """Return the samples of a recording in SI units, with every finding of the checks.

    Parameters
    ----------
    path : the file
    profile : the device that wrote it
    file : the file's name in messages, e.g. relative to the study folder

    Raises
    ------
    StudyError
        The file cannot be used at all: missing, empty, truncated, of another format, without a
        column of the profile, with text among its numbers, with time stamps that do not rise.
        Findings that leave usable samples are in `Recording.problems` instead.
    """
    file = file or path.name
    try:
        content = path.read_bytes()
    except FileNotFoundError as error:
        raise StudyError(_missing(file)) from error
    if not content:
        raise StudyError(empty_file(file))
    raw = _columns(content, path, profile, file)
    time_s, jitter_s = _times(raw, profile, file)
    step_s, gaps, problems = _time_base(time_s, raw, profile, file)
    rate_hz = 1.0 / step_s
    problems += checks.rate_problems(rate_hz, profile, file)
    problems += checks.gap_problems(gaps, file, raw.first_row)
    channels, largest = _channels(raw, profile, time_s.size)
    problems += _problems_of_signals(channels, largest, raw.first_row, profile, file)
    return Recording(
        name=file,
        device=profile.device,
        sha256=sha256_of_bytes(content),
        time_s=time_s,
        channels=channels,
        rate_hz=rate_hz,
        gaps=gaps,
        jitter_s=jitter_s,
        problems=tuple(problems),
        largest=largest,
    )
