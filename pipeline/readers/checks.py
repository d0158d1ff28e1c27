"""Checks of the samples of one recording: time, rate, gaps, empty cells, range."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from pipeline.readers.recording import Gap, Samples
from shared.errors import Problem, refusal
from shared.settings.device import Channel, DeviceProfile

MINIMUM_SAMPLES = 10
"""Fewer samples than this hold no signal at all; what a task needs is judged by extraction."""

FLAG_OF_RULE = {
    "gap_in_time": "gap",
    "empty_cell": "missing_samples",
    "rate_contradicts_profile": "rate_mismatch",
    "value_beyond_range": "out_of_range",
    "too_few_samples": "short_recording",
}
"""Quality flag by rule, for findings that need not cost the whole recording."""

_GAP_STEPS = 1.5  # a step this many times the usual one is a hole
_BEYOND_RANGE = 1.001  # rounding in the file may step over full scale by a hair
_LONGEST_SESSION_S = 1e7  # stamps of a calendar (1970, 1904, 1900) are far larger
_STRIDE = 7  # a median over every seventh step tells the typical one as well as over all


def steady_step(time_s: Samples) -> float | None:
    """Return the usual time step in s of stamps without any fault; None where one is possible.

    Steps that all go forward, the longest too short for a gap after the shortest, leave no room for
    a stamp that is empty or does not rise, nor for a hole. Almost every recording is told so at a
    glance; for the others see `time_problems`, `usual_step` and `find_gaps`.
    """
    if time_s.size < MINIMUM_SAMPLES or abs(time_s[0]) > _LONGEST_SESSION_S:
        return None
    steps = np.diff(time_s)
    shortest = float(steps.min())  # not a number if any stamp is none: then nothing is sure
    if not 0.0 < shortest <= float(steps.max()) < _GAP_STEPS * shortest:
        return None
    return float((time_s[-1] - time_s[0]) / steps.size)


def usual_step(time_s: Samples) -> float:
    """Return the usual time step in s: the mean of all steps that are no gaps.

    The mean, since rounded stamps (0.002222 s for 450 Hz) bias the median.
    """
    steps = np.diff(time_s)
    # Gaps and jitter are rare: every seventh step tells the typical one as well as all.
    typical = float(np.median(steps[::_STRIDE]))
    if typical <= 0:
        return typical
    usual = steps < _GAP_STEPS * typical
    return float((steps if usual.all() else steps[usual]).mean())


def find_gaps(time_s: Samples, step_s: float) -> tuple[Gap, ...]:
    """Return the holes in rising time stamps, given the usual step."""
    steps = np.diff(time_s)
    after = np.flatnonzero(steps > _GAP_STEPS * step_s)
    lengths = np.rint(steps[after] / step_s).astype(int) - 1
    return tuple(
        Gap(int(i), int(length)) for i, length in zip(after, lengths, strict=True) if length > 0
    )


def length_problems(time_s: Samples, file: str) -> list[Problem]:
    """Return a problem when there are too few rows to be a recording."""
    if time_s.size < MINIMUM_SAMPLES:
        return [
            refusal(
                "too_few_samples",
                file,
                found=f"{time_s.size} samples",
                expected=f"at least {MINIMUM_SAMPLES}",
                mend="export the recording again; the file may be cut short",
            )
        ]
    return []


def stamp_problems(time_s: Samples, file: str, first_row: int, column: str | None) -> list[Problem]:
    """Return what is wrong with single time stamps: empty, or of a calendar."""
    empty = np.flatnonzero(~np.isfinite(time_s))
    if empty.size:
        return [
            refusal(
                "empty_cell",
                file,
                row=first_row + int(empty[0]),
                column=column,
                found=f"no number in {empty.size} time stamps, first at sample {empty[0]}",
                expected="a time stamp in every row",
                mend="export the recording again with its time column",
            )
        ]
    if time_s.size and abs(time_s[0]) > _LONGEST_SESSION_S:
        return [
            refusal(
                "absolute_clock_time",
                file,
                row=first_row,
                column=column,
                found="time stamps that count from a date in the past",
                expected="seconds since the common trigger, or since the recording began",
                mend="export relative times; an absolute time identifies a visit",
            )
        ]
    return []


def time_problems(time_s: Samples, file: str, first_row: int, column: str | None) -> list[Problem]:
    """Return what makes the time stamps unusable: too few, empty, of a calendar, not rising."""
    if problems := length_problems(time_s, file):
        return problems
    if problems := stamp_problems(time_s, file, first_row, column):
        return problems
    backward = np.flatnonzero(np.diff(time_s) <= 0)
    if backward.size:
        i = int(backward[0])
        return [
            refusal(
                "time_not_rising",
                file,
                row=first_row + i + 1,
                column=column,
                found=f"{time_s[i + 1]:.6g} s after {time_s[i]:.6g} s at sample {i + 1} "
                f"({backward.size} such steps)",
                expected="time stamps that rise from row to row",
                mend="export the recording again; look for repeated blocks or two files in one",
            )
        ]
    return []


def rate_problems(rate_hz: float, profile: DeviceProfile, file: str) -> list[Problem]:
    """Return a problem when the rate found contradicts the declared one."""
    if abs(rate_hz / profile.rate_hz - 1.0) <= profile.rate_tolerance:
        return []
    return [
        refusal(
            "rate_contradicts_profile",
            file,
            column=profile.time.column if profile.time else None,
            found=f"{rate_hz:.6g} samples per second",
            expected=f"{profile.rate_hz:.6g} Hz within {profile.rate_tolerance:.2%} "
            f"(device profile {profile.device!r})",
            mend="correct rate_hz or the unit of the time column in the device profile, "
            "or give the recording the profile of the instrument that made it",
        )
    ]


def gap_problems(gaps: tuple[Gap, ...], file: str, first_row: int) -> list[Problem]:
    """Return one problem that names the longest gap and how many there are."""
    if not gaps:
        return []
    longest = max(gaps, key=lambda gap: (gap.length, -gap.after))
    return [
        refusal(
            "gap_in_time",
            file,
            row=first_row + longest.after + 1,
            column=None,
            found=f"{longest.length} samples missing after sample {longest.after}"
            + (f"; {len(gaps)} gaps in all" if len(gaps) > 1 else ""),
            expected="a time stamp at every step",
            mend="nothing to correct if samples were lost; landings in a gap are left out",
        )
    ]


def largest_magnitude(values: Samples) -> float:
    """Return the largest magnitude of a channel, NaN where a cell is empty; shape (samples,)."""
    highest, lowest = float(values.max()), float(values.min())
    return math.nan if math.isnan(highest) else max(highest, -lowest)


def channel_problems(
    values: Samples, largest: float, channel: Channel, file: str, first_row: int
) -> Iterable[Problem]:
    """Yield empty cells and values beyond the range of the instrument, in SI `values`.

    Parameters
    ----------
    largest
        From `largest_magnitude`; it spares the search where there is nothing to find.
    """
    if math.isnan(largest):
        missing = np.flatnonzero(np.isnan(values))
        yield refusal(
            "empty_cell",
            file,
            row=first_row + int(missing[0]),
            column=channel.column,
            found=f"no number in {missing.size} cells, first at sample {missing[0]}",
            expected="a number in every row",
            mend="nothing to correct if samples were lost; landings near them are left out",
        )
        if missing.size == values.size:
            return
        largest = float(np.nanmax(np.abs(values)))
    if largest > _BEYOND_RANGE * channel.full_scale:
        beyond = np.flatnonzero(np.abs(values) > _BEYOND_RANGE * channel.full_scale)
        scale = channel.full_scale / channel.range
        yield refusal(
            "value_beyond_range",
            file,
            row=first_row + int(beyond[0]),
            column=channel.column,
            found=f"{values[beyond[0]] / scale:.6g} {channel.unit} at sample {beyond[0]} "
            f"({beyond.size} such values)",
            expected=f"at most {channel.range:g} {channel.unit}, the range in the device profile",
            mend="correct unit or range in the device profile; else the recording is damaged",
        )
