"""Landing metrics of the waist accelerometer."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]


def peak_waist_acceleration(
    resultant_g: Signal, rate_hz: float, *, contact: float, waist_peak_s: float
) -> Outcome:
    """Return the largest resultant specific force after contact, in g (1 g at rest).

    The largest sample is taken as it is: a parabola would lift a clipped top above the range.

    Parameters
    ----------
    resultant_g
        Resultant specific force, gravity included, filtered as set for the waist.
    """
    first, last = math.ceil(contact), math.floor(contact + waist_peak_s * rate_hz)
    if last >= len(resultant_g):
        return Refused(
            Reason.SHORT_RECORDING,
            f"the recording ends {(len(resultant_g) - 1 - contact) / rate_hz * 1000:.0f} ms after "
            f"contact, {waist_peak_s * 1000:.0f} ms are needed",
        )
    return Measured(float(resultant_g[first : last + 1].max()), first, last)
