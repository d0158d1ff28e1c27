"""Loading rate, impulse and shock duration of the impact at the waist.

All read the resultant specific force, so none needs the direction of gravity.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.sampled import derivative, integral_between, value_at
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]


def _reach(resultant_g: Signal, rate_hz: float, contact: float, window_s: float) -> float | Refused:
    end = contact + window_s * rate_hz
    last = len(resultant_g) - 1
    if contact < 0.0 or end > last:
        return Refused(
            Reason.SHORT_RECORDING,
            f"samples {contact:.1f} to {end:.1f} are needed, the recording ends at {last}",
        )
    return end


def peak_waist_loading_rate(
    resultant_g: Signal, rate_hz: float, *, contact: float, waist_peak_s: float
) -> Outcome:
    """Return the steepest rise of the filtered resultant (g) after contact, in g per second.

    It grows with the bandwidth: compare only values of the same rate and cut-off.
    """
    end = _reach(resultant_g, rate_hz, contact, waist_peak_s)
    if isinstance(end, Refused):
        return end
    first, last = math.ceil(contact), math.floor(end)
    slopes = derivative(resultant_g, rate_hz)[first : last + 1]
    if not len(slopes):
        return Refused(Reason.SHORT_RECORDING, "no sample lies in the window after contact")
    return Measured(float(slopes.max()), first, last)


def waist_impulse(
    resultant_g: Signal, rate_hz: float, *, contact: float, window_s: float
) -> Outcome:
    """Return the integral of the resultant (g) over a time from contact, in g times seconds."""
    end = _reach(resultant_g, rate_hz, contact, window_s)
    if isinstance(end, Refused):
        return end
    value = integral_between(resultant_g, rate_hz, contact, end)
    return Measured(value, math.floor(contact), math.ceil(end))


def shock_duration(
    resultant_g: Signal, rate_hz: float, *, contact: float, waist_peak_s: float, threshold_g: float
) -> Outcome:
    """Return the time in ms that the resultant (g) spends above a threshold after contact.

    Crossings are taken between samples, on the straight line; 0 where it stays below.
    """
    end = _reach(resultant_g, rate_hz, contact, waist_peak_s)
    if isinstance(end, Refused):
        return end
    first, last = math.floor(contact) + 1, math.ceil(end)  # of the samples strictly in between
    inner = np.arange(first, last, dtype=np.float64)
    positions = np.concatenate(([contact], inner, [end]))
    at_ends = [value_at(resultant_g, contact)], [value_at(resultant_g, end)]
    excess = np.concatenate((at_ends[0], resultant_g[first:last], at_ends[1])) - threshold_g
    before, after = excess[:-1], excess[1:]
    above = np.maximum(before, 0.0) + np.maximum(after, 0.0)
    total = np.abs(before) + np.abs(after)
    # On a straight line the part above is to the whole as its end's height to both heights.
    share = np.divide(above, total, out=np.zeros_like(total), where=total > 0.0)
    value = 1000.0 * float((share * np.diff(positions)).sum()) / rate_hz
    return Measured(value, math.floor(contact), math.ceil(end))
