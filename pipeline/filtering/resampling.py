"""One sampling rate per kind of sensor: anti-aliased decimation."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

Signal = NDArray[np.float64]

_LARGEST_DENOMINATOR = 25
_LARGEST_CLOCK_ERROR = 0.005


def ratio_to(common_rate_hz: float, rate_hz: float) -> Fraction:
    """Return the ratio of small integers that leads from a rate to a common one.

    A clock that runs a little fast or slow keeps its own time: the ratio is that of the nominal
    rates, and the result runs as fast or slow.

    Raises
    ------
    ValueError
        No ratio of small integers comes within 0.5 % of the common rate.
    """
    ratio = Fraction(common_rate_hz / rate_hz).limit_denominator(_LARGEST_DENOMINATOR)
    if abs(float(ratio) * rate_hz / common_rate_hz - 1.0) > _LARGEST_CLOCK_ERROR:
        raise ValueError(f"no small ratio leads from {rate_hz:g} to {common_rate_hz:g} per second")
    return ratio


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
