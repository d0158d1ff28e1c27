"""Movement onset of a jump from standing.

Source: Owen et al. 2014, J Strength Cond Res 28:1552 (first departure from body weight by 5
standard deviations of quiet standing, minus 30 ms).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import Window
from pipeline.events.phases import Event
from pipeline.filtering.spells import spells

Signal = NDArray[np.float64]


def movement_onset(
    force: Signal,
    rate_hz: float,
    *,
    stance: Window,
    end_sample: int,
    onset_sd: float,
    onset_lead_s: float,
    onset_hold_s: float,
) -> Event | None:
    """Find the movement onset after a quiet stance; None when the force never leaves its band.

    Parameters
    ----------
    force
        Raw vertical force, summed over the plates, shape (samples,).
    stance
        The quiet stance (see `quiet_stance`): its mean is body weight, its SD the band.
    end_sample
        Search ends here (the take-off).
    onset_hold_s
        Shorter departures are sway or noise (Owen et al. take the first sample).
    """
    still = force[stance.samples]
    weight, band = float(still.mean()), onset_sd * float(still.std())
    begin = stance.last_sample + 1
    starts, ends = spells(np.abs(force[begin:end_sample] - weight) > band)
    held = np.flatnonzero(ends - starts >= onset_hold_s * rate_hz)
    if not len(held):
        return None
    sample = begin + int(starts[held[0]])
    lead = round(onset_lead_s * rate_hz)
    onset = max(sample - lead, stance.first_sample)
    return Event(onset, float(onset))
