"""Landing metrics of the vertical ground reaction force of a limb or of the whole body."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.sampled import integral_between, peak_position
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ForcePeak:
    """The peak of the vertical force after a contact.

    Attributes
    ----------
    force_n
        The largest sample of the window.
    sample
        That sample.
    position
        Vertex of the parabola through it and its neighbours: when the peak was, in samples.
    first_sample, last_sample
        The window.
    """

    force_n: float
    sample: int
    position: float
    first_sample: int
    last_sample: int


def peak_force(
    force: Signal, rate_hz: float, *, contact: float, lowest: float | None, peak_force_s: float
) -> ForcePeak | Refused:
    """Find the peak between contact and the lowest centre of mass, at most `peak_force_s` later.

    A later propulsion peak of a drop jump may exceed the impact: hence the window.

    Parameters
    ----------
    force
        Vertical force, offset removed, filtered as set for force, N, shape (samples,).
    contact
        Position of the initial contact (found on the raw force).
    lowest
        Position of the lowest centre of mass; None when unknown (the time limit alone then holds).
    """
    limit = contact + peak_force_s * rate_hz
    if lowest is not None:
        limit = min(limit, lowest)
    first, last = math.ceil(contact), math.floor(limit)
    if last >= len(force):
        recorded_s = (len(force) - 1 - contact) / rate_hz
        return Refused(
            Reason.SHORT_RECORDING,
            f"the recording ends {recorded_s * 1000:.0f} ms after contact, "
            f"{(limit - contact) / rate_hz * 1000:.0f} ms are needed",
        )
    if last <= first:
        return Refused(Reason.NO_LANDING, "no sample lies between contact and lowest point")
    sample = first + int(np.argmax(force[first : last + 1]))
    # The window may end between two samples, the peak between them as well: its vertex is that of
    # the higher one. A force that still rises at the end of the window has its vertex beyond it.
    rises = sample == last and last + 1 < len(force) and force[last + 1] > force[last]
    position = min(max(peak_position(force, sample + 1 if rises else sample), contact), limit)
    return ForcePeak(float(force[sample]), sample, position, first, last)


def peak_vgrf(peak: ForcePeak, *, body_weight_n: float) -> Measured:
    """Return the peak vertical ground reaction force in body weights."""
    return Measured(peak.force_n / body_weight_n, peak.first_sample, peak.last_sample)


def time_to_peak_vgrf(peak: ForcePeak, rate_hz: float, *, contact: float) -> Measured:
    """Return the time from contact to the peak, in ms."""
    value = (peak.position - contact) / rate_hz * 1000.0
    return Measured(value, peak.first_sample, peak.last_sample)


def gross_impulse(
    force: Signal, rate_hz: float, *, contact: float, duration_s: float, body_weight_n: float
) -> Outcome:
    """Return the impulse over a time from contact, body weight not subtracted, in BW s.

    Parameters
    ----------
    force
        Vertical force, offset removed, unfiltered, N, shape (samples,).
    """
    end = contact + duration_s * rate_hz
    if end > len(force) - 1:
        return Refused(
            Reason.SHORT_RECORDING,
            f"the recording ends {(len(force) - 1 - contact) / rate_hz * 1000:.0f} ms after "
            f"contact, {duration_s * 1000:.0f} ms are needed",
        )
    impulse = integral_between(force, rate_hz, contact, end) / body_weight_n
    return Measured(impulse, math.floor(contact), math.ceil(end))


def gross_impulse_until(
    force: Signal, rate_hz: float, *, contact: float, end: float, body_weight_n: float
) -> Measured:
    """Return the impulse from contact to a later event of the recording, in BW s.

    Body weight is not subtracted; see `gross_impulse`.
    """
    impulse = integral_between(force, rate_hz, contact, end) / body_weight_n
    return Measured(impulse, math.floor(contact), math.ceil(end))


def impulse_share(
    force: Signal, total: Signal, rate_hz: float, *, contact: float, end: float
) -> Outcome:
    """Return the share of the whole body's impulse that one limb takes, in %.

    Both run from the contact of the first limb to the same end.
    """
    whole = integral_between(total, rate_hz, contact, end)
    if whole <= 0.0:
        return Refused(Reason.OUT_OF_RANGE, "the plates carry nothing after contact")
    share = 100.0 * integral_between(force, rate_hz, contact, end) / whole
    return Measured(share, math.floor(contact), math.ceil(end))


def contact_lag(contact: float, other: float, rate_hz: float) -> Measured:
    """Return how much later a limb touches the ground than the other one, in ms."""
    first, last = sorted((contact, other))
    return Measured((contact - other) / rate_hz * 1000.0, math.floor(first), math.ceil(last))
