"""Toe and heel peak of a landing: the first two separate peaks of the vertical force.

Source: James et al. 2007, J Sports Sci Med 6:126 (F1 and F2); window and prominence are common
practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.sampled import peak_position
from pipeline.metrics.outcome import Measured, Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TwoPeaks:
    """The first two peaks after a contact: force in N and position in samples, by order.

    `first_sample` and `last_sample` bound the window in which they were sought.
    """

    force_n: tuple[float, float]
    position: tuple[float, float]
    first_sample: int
    last_sample: int

    def force_bw(self, order: int, body_weight_n: float) -> Measured:
        """Return the force of a peak (0 or 1) in body weights."""
        value = self.force_n[order] / body_weight_n
        return Measured(value, self.first_sample, self.last_sample)

    def time_ms(self, order: int, rate_hz: float, contact: float) -> Measured:
        """Return the time from contact to a peak (0 or 1), in ms."""
        value = (self.position[order] - contact) / rate_hz * 1000.0
        return Measured(value, self.first_sample, self.last_sample)


def prominence(signal: Signal, peak: int) -> float:
    """Return how far one must come down from a local maximum before going higher.

    The descent on each side ends where the signal is higher than the peak, or at its end; the
    smaller of both counts.
    """
    height = signal[peak]
    higher_before = (signal[:peak] > height).nonzero()[0]
    higher_after = (signal[peak + 1 :] > height).nonzero()[0]
    start = int(higher_before[-1]) + 1 if len(higher_before) else 0
    end = peak + 1 + int(higher_after[0]) if len(higher_after) else len(signal)
    base = max(float(signal[start : peak + 1].min()), float(signal[peak:end].min()))
    return float(height) - base


def two_peaks(
    force: Signal,
    rate_hz: float,
    *,
    contact: float,
    lowest: float | None,
    from_s: float,
    until_s: float,
    smallest_prominence_n: float,
    reach_s: float,
) -> TwoPeaks | Refused:
    """Find the first two local maxima of the force between two times after contact.

    With one maximum only (a landing on the flat foot, or on the toes) nobody can say whether it
    is the first peak or the second one, so both are refused; it is in the peak force.

    Parameters
    ----------
    force
        Vertical force, offset removed, filtered as set for force, N, shape (samples,).
    lowest
        Position of the lowest centre of mass, beyond which a peak is propulsion; None if unknown.
    from_s, until_s
        Window from contact.
    reach_s
        The prominence of a peak is judged by the force until this long after contact.
    """
    limit = contact + until_s * rate_hz
    if limit > len(force) - 1:
        return Refused(
            Reason.SHORT_RECORDING,
            f"the recording ends {(len(force) - 1 - contact) / rate_hz * 1000:.0f} ms after "
            f"contact, {until_s * 1000:.0f} ms are needed",
        )
    if lowest is not None:
        limit = min(limit, lowest)
    begin = math.ceil(contact)
    stretch = force[begin : min(math.floor(contact + reach_s * rate_hz), len(force) - 1) + 1]
    rises = stretch[1:] > stretch[:-1]
    maxima = (rises[:-1] & ~rises[1:]).nonzero()[0] + 1
    earliest = math.ceil(contact + from_s * rate_hz) - begin
    latest = math.floor(limit) - begin
    found = [
        begin + peak
        for peak in maxima.tolist()
        if earliest <= peak <= latest and prominence(stretch, peak) >= smallest_prominence_n
    ]
    if len(found) < 2:
        seen = "one separate peak" if found else "no separate peak"
        return Refused(
            Reason.NO_FORCE_PEAKS,
            f"the force has {seen} from {from_s * 1000:.0f} to "
            f"{(limit - contact) / rate_hz * 1000:.0f} ms after contact: a toe and a heel peak "
            "cannot be told apart",
        )
    first, second = found[:2]
    return TwoPeaks(
        (float(force[first]), float(force[second])),
        (peak_position(force, first), peak_position(force, second)),
        begin,
        begin + max(latest, 0),
    )
