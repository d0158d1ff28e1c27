"""One sampling rate per kind of sensor: anti-aliased decimation."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

Signal = NDArray[np.float64]


def decimated(signals: Signal, ratio: Fraction) -> Signal:
    """Bring signals down to a lower rate (zero-lag, linear-phase anti-aliasing filter).

    Sample k of the result lies at sample k / ratio of the original.

    Parameters
    ----------
    signals
        Shape (samples,) or (channels, samples), without missing values.
    ratio
        Of the new rate to the old one, below 1.

    Raises
    ------
    ValueError
        The ratio is above 1: detail that was not recorded cannot be made.
    """
    if ratio > 1:
        raise ValueError(f"a ratio of {ratio} would raise the rate: the common rate must be lower")
    if ratio == 1:
        return signals
    # Padding by the end values: an empty extension would pull both ends towards zero.
    return resample_poly(signals, ratio.numerator, ratio.denominator, axis=-1, padtype="edge")
