"""Time from a column of sample counts: what was lost is known, the jitter of stamps is gone."""

from __future__ import annotations

import numpy as np

from pipeline.filtering.time_base import Indices, TimeBase, line_through_stamps, sample_numbers
from pipeline.readers import checks
from pipeline.readers.recording import RawColumns, Samples
from shared.errors import Problem, StudyError, refusal
from shared.settings.device import Counter, DeviceProfile
from shared.units import conversion_factor


def _value_problem(
    counts: Samples, counter: Counter, device: str, file: str, first_row: int
) -> Problem | None:
    """Return the first count that is missing, no whole number, or not one of this counter."""
    with np.errstate(invalid="ignore"):
        good = (counts >= 0) & (counts == np.rint(counts))
        if counter.wraps_at is not None:
            good &= counts < counter.wraps_at
    if good.all():
        return None
    sample = int(np.argmin(good))
    empty = bool(np.isnan(counts[sample]))
    found = "no number" if empty else f"{counts[sample]:.12g}"
    highest = "" if counter.wraps_at is None else f" to {counter.wraps_at - 1}"
    return refusal(
        "empty_cell" if empty else "no_count_of_this_counter",
        file,
        row=first_row + sample,
        column=counter.column,
        found=f"{found} at sample {sample}",
        expected=f"whole numbers from 0{highest} in every row (device profile {device!r})",
        mend="export the recording again with its counter"
        if empty
        else "correct column or wraps_at of the counter in the device profile",
    )


def _order_problem(
    counts: Samples, numbers: Indices, counter: Counter, file: str, first_row: int
) -> Problem | None:
    """Return the first count that repeats the one before or goes back by more than a wrap."""
    backward = np.flatnonzero(np.diff(numbers) <= 0)
    if not backward.size:
        return None
    before = int(backward[0])
    wrap = "" if counter.wraps_at is None else f", and from {counter.wraps_at - 1} to 0"
    return refusal(
        "counter_not_rising",
        file,
        row=first_row + before + 1,
        column=counter.column,
        found=f"{counts[before + 1]:.12g} after {counts[before]:.12g} at sample {before + 1} "
        f"({backward.size} such steps)",
        expected=f"a counter that goes up from row to row{wrap}",
        mend="export the recording again; look for repeated blocks or two files in one. Where more "
        "than half a wrap was lost at once, a time column beside the counter can tell",
    )


def _line(stamps_s: Samples, numbers: Indices, column: str, file: str) -> TimeBase:
    try:
        return line_through_stamps(stamps_s, numbers)
    except ValueError as error:
        raise StudyError(
            refusal(
                "time_not_rising",
                file,
                column=column,
                found="time stamps that do not go up with the counter",
                expected="time stamps that rise over the recording",
                mend="correct the time column in the device profile, or take it out: the counter "
                "and rate_hz are enough",
            )
        ) from error


def rebuilt_time(
    raw: RawColumns, counter: Counter, profile: DeviceProfile, file: str
) -> tuple[Samples, float | None]:
    """Return the time of each row on a regular grid, and the jitter of the stamps (s).

    The counter gives order and lost samples. With a time column, a line through its stamps gives
    rate and start; without one, the rate is the declared one, time zero the first row (whatever
    its count, since a counter may run freely), and the jitter None.

    Raises
    ------
    StudyError
        Too few rows; a time stamp or count that is missing; a count that this counter cannot
        have, that repeats the one before, or that goes back by more than a wrap.
    """
    counts = raw.columns[counter.column]
    stamps: Samples | None = None
    if profile.time is not None:
        stamps = raw.columns[profile.time.column] * conversion_factor(profile.time.unit, "s")
    looked_at = counts if stamps is None else stamps
    column = counter.column if profile.time is None else profile.time.column
    unusable: list[Problem | None] = [
        *checks.length_problems(looked_at, file),
        *(checks.stamp_problems(stamps, file, raw.first_row, column) if stamps is not None else ()),
        _value_problem(counts, counter, profile.device, file, raw.first_row),
    ]
    if found := [problem for problem in unusable if problem]:
        raise StudyError(found)
    expected = 1.0 if stamps is None else np.diff(stamps) * profile.rate_hz
    numbers = sample_numbers(counts, counter.wraps_at, expected)
    if problem := _order_problem(counts, numbers, counter, file, raw.first_row):
        raise StudyError(problem)
    if stamps is None:
        return numbers / profile.rate_hz, None
    line = _line(stamps, numbers, column, file)
    return line.start_s + numbers / line.rate_hz, line.jitter_s
