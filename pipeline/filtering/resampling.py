"""One sampling rate per kind of sensor: anti-aliased decimation."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

Signal = NDArray[np.float64]


def to_common_rate(signals: Signal, rate_hz: float, *, common_rate_hz: float) -> Signal:
    """Bring signals down to a common rate (zero-lag, linear-phase anti-aliasing filter).

    A peak of 20 ms loses up to 29 % of its height at 100 samples per second, so the rate would be
    confounded with the site. Sample k of the result lies at sample k rate/common of the original.

    Parameters
    ----------
    signals
        Shape (samples,) or (channels, samples), without missing values.

    Raises
    ------
    ValueError
        The common rate is higher than the rate, or their ratio is not a ratio of small integers.
    """
    if common_rate_hz > rate_hz:
        raise ValueError(
            f"{rate_hz:g} samples per second cannot be raised to {common_rate_hz:g}: the common "
            "rate must be the lowest of its kind of sensor"
        )
    if common_rate_hz == rate_hz:
        return signals
    ratio = Fraction(common_rate_hz / rate_hz).limit_denominator(200)
    if abs(float(ratio) * rate_hz / common_rate_hz - 1.0) > 1e-6:
        raise ValueError(f"no small ratio leads from {rate_hz:g} to {common_rate_hz:g} per second")
    # Padding by the end values: an empty extension would pull both ends towards zero.
    return resample_poly(signals, ratio.numerator, ratio.denominator, axis=-1, padtype="edge")
