"""Times and rates of knee flexion after contact.

Each needs only rates or differences of the angle, so none depends on the zero of the angle.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.sampled import integral_between, peak_position, value_at
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]


def _too_short(needed: float, samples: int) -> Refused:
    return Refused(
        Reason.SHORT_RECORDING,
        f"position {needed:.1f} is needed, the recording has {samples} samples",
    )


def time_to_peak_knee_flexion(
    angle: Signal, rate_hz: float, *, contact: float, end: float
) -> Outcome:
    """Return the time in ms from contact to the largest angle up to position `end`."""
    first, last = math.ceil(contact), math.floor(end)
    if contact < 0.0 or last >= len(angle) or last < first:
        return _too_short(end, len(angle))
    peak = peak_position(angle, first + int(np.argmax(angle[first : last + 1])))
    return Measured(max(peak - contact, 0.0) / rate_hz * 1000.0, math.floor(contact), last)


def knee_flexion_rate_at_contact(rate: Signal, *, contact: float) -> Outcome:
    """Return the rate (rad/s) at contact, in degrees per second."""
    if not 0.0 <= contact <= len(rate) - 1:
        return _too_short(contact, len(rate))
    value = math.degrees(value_at(rate, contact))
    return Measured(value, math.floor(contact), math.ceil(contact))


def mean_knee_flexion_rate(
    rate: Signal, rate_hz: float, *, contact: float, window_s: float
) -> Outcome:
    """Return the mean rate (rad/s) over a time from contact, in degrees per second."""
    end = contact + window_s * rate_hz
    if contact < 0.0 or end > len(rate) - 1:
        return _too_short(end, len(rate))
    value = math.degrees(integral_between(rate, rate_hz, contact, end) / window_s)
    return Measured(value, math.floor(contact), math.ceil(end))
