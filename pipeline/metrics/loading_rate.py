"""How fast the vertical force rises to its peak: on average, at most, and from 20 to 80 %.

Three definitions, three numbers (half-sine of height F and width T: 2 F/T, pi F/T, 2.5966 F/T);
none may stand for another.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.sampled import crossing_position, value_at
from pipeline.metrics.force import ForcePeak
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]

_LOW, _HIGH = 0.2, 0.8  # the shares of the peak are in the name of the metric


def _too_short(rise_s: float) -> Refused:
    return Refused(
        Reason.OUT_OF_RANGE,
        f"the force rises within one sample ({rise_s * 1000:.2f} ms): a rate needs a rise",
    )


def average_loading_rate(
    force: Signal, peak: ForcePeak, rate_hz: float, *, contact: float, body_weight_n: float
) -> Outcome:
    """Return the rise of the force from contact to peak over the time it took, BW/s.

    `force` is the signal in which the peak was found.
    """
    rise_s = (peak.position - contact) / rate_hz
    if rise_s * rate_hz < 1.0:
        return _too_short(rise_s)
    rise = (peak.force_n - value_at(force, contact)) / body_weight_n
    return Measured(rise / rise_s, math.floor(contact), peak.sample)


def peak_loading_rate(
    force: Signal, peak: ForcePeak, rate_hz: float, *, contact: float, body_weight_n: float
) -> Outcome:
    """Return the largest slope of the force from contact to peak, BW/s, by central differences.

    Noise and bandwidth decide it with the force: it compares only at one rate and one cut-off.
    """
    first = math.ceil(contact)
    last = min(peak.sample, len(force) - 2)
    if first < 1 or last <= first:
        return _too_short((peak.position - contact) / rate_hz)
    slopes = force[first + 1 : last + 2] - force[first - 1 : last]
    steepest = 0.5 * rate_hz * float(slopes.max())
    return Measured(steepest / body_weight_n, first - 1, last + 1)


def loading_rate_20_to_80_percent(
    force: Signal, peak: ForcePeak, rate_hz: float, *, contact: float, body_weight_n: float
) -> Outcome:
    """Return the slope of the straight line from 20 to 80 % of the peak force, BW/s.

    Both are the first crossings after contact. Running takes 20 to 80 % of the time to the impact
    peak instead (2.1401 F/T on the half-sine): a different number.
    """
    first = math.ceil(contact)
    rising = force[first : peak.sample + 1]
    low, high = _LOW * peak.force_n, _HIGH * peak.force_n
    start = crossing_position(force, first + int(np.argmax(rising >= low)), low)
    if start < contact:
        return Refused(
            Reason.OUT_OF_RANGE,
            f"the force is above {_LOW:.0%} of its peak at contact already",
        )
    end = crossing_position(force, first + int(np.argmax(rising >= high)), high)
    if end - start < 1.0:
        return _too_short((end - start) / rate_hz)
    slope = (high - low) / body_weight_n / (end - start) * rate_hz
    return Measured(slope, math.floor(start), math.ceil(end))
