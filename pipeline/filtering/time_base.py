"""The time base rebuilt from a sample counter: order, lost samples, rate and start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TimeBase:
    """A straight line through time stamps.

    Attributes
    ----------
    start_s
        Time of sample number 0.
    rate_hz
        Samples per second.
    jitter_s
        Largest distance of a time stamp from the line.
    """

    start_s: float
    rate_hz: float
    jitter_s: float


def sample_numbers(
    counter: Signal, wraps_at: int | None, expected_steps: Signal | float = 1.0
) -> Indices:
    """Return the number of each sample, from 0, by a counter that starts again at `wraps_at`.

    Between two rows the counter may have wrapped any number of times: the step nearest to the
    expected one is taken. A stretch of lost samples is thus told right up to half a wrap beyond
    what is expected. Numbers that do not rise are for the caller to refuse.

    Parameters
    ----------
    counter
        Whole numbers, shape (samples,).
    wraps_at
        How many values the counter has, 0 included; None when it never wraps.
    expected_steps
        Samples from each row to the next, shape (samples - 1,), by another clock; 1 without one.
    """
    steps = np.diff(counter)
    if wraps_at is not None:
        steps += wraps_at * np.rint((expected_steps - steps) / wraps_at)
    return np.concatenate(([0], np.cumsum(np.rint(steps).astype(np.int64))))


def line_through_stamps(stamps_s: Signal, numbers: Indices) -> TimeBase:
    """Fit time stamps on sample numbers by least squares.

    Stamps that come late (a sample is stamped when it arrives) move the start by their mean delay.

    Raises
    ------
    ValueError
        The stamps do not go up with the numbers.
    """
    centred = numbers - numbers.mean()
    period = float(centred @ stamps_s) / float(centred @ centred)
    if not period > 0.0:
        raise ValueError("the time stamps do not go up with the counter")
    start = float(stamps_s.mean()) - period * float(numbers.mean())
    jitter = float(np.abs(stamps_s - start - period * numbers).max())
    return TimeBase(start, 1.0 / period, jitter)
