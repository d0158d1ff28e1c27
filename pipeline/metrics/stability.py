"""How soon after a landing the vertical force stays at body weight.

Eighteen published methods disagree, and the length of the trial moves the result more than filter
or rate do (Fransz et al. 2015, Gait Posture): hence one definition and one length for all trials.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.spells import spells
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]


def time_to_stabilisation(
    force: Signal,
    rate_hz: float,
    *,
    contact: float,
    body_weight_n: float,
    band_share: float,
    hold_s: float,
    trial_s: float,
) -> Outcome:
    """Return the time from contact until the force stays near body weight, in s.

    It is the first instant from which the force stays within `band_share` of body weight for at
    least `hold_s`, all of it within `trial_s` after contact; interpolated between the last sample
    outside of the band and the first one inside.

    Parameters
    ----------
    force
        Vertical force on the whole body, offset removed, unfiltered, N, shape (samples,).
    """
    end = contact + trial_s * rate_hz
    if end > len(force) - 1:
        return Refused(
            Reason.SHORT_RECORDING,
            f"the recording ends {(len(force) - 1 - contact) / rate_hz:.1f} s after contact, "
            f"{trial_s:g} s are needed",
        )
    first, last = math.ceil(contact), math.floor(end)
    away = force[first : last + 1] - body_weight_n
    starts, ends = spells(np.abs(away) <= band_share * body_weight_n)
    # n samples span n - 1 intervals
    held = np.flatnonzero(ends - 1 - starts >= hold_s * rate_hz - 1e-9)
    if not len(held):
        return Refused(
            Reason.NOT_STABILISED,
            f"the force does not stay within {band_share:.0%} of body weight for {hold_s:g} s "
            f"within {trial_s:g} s after contact",
        )
    stable = int(starts[held[0]])
    entered = first + (_entry(away, stable, band_share * body_weight_n) if stable else 0.0)
    return Measured((entered - contact) / rate_hz, first, first + int(ends[held[0]]) - 1)


def _entry(away: Signal, inside: int, band_n: float) -> float:
    """Return where a straight line from the sample before `inside` meets the edge of the band."""
    before, after = float(away[inside - 1]), float(away[inside])
    return inside - 1 + (before - math.copysign(band_n, before)) / (before - after)
