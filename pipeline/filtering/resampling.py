"""One sampling rate per kind of sensor: anti-aliased decimation.

The filter and its result are those of `scipy.signal.resample_poly` with its default window; a
product of matrices over blocks of the signal is several times faster than its loop over samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin

Signal = NDArray[np.float64]

_SAMPLES_PER_BLOCK = 8  # of the result: fastest of 4 to 48 at ratios of 1/10, 1/5, 2/5 and 1/2


class _Filter(NamedTuple):
    """Weights, shape (pieces, step, samples made); samples seen before the first one made.

    A block of samples is made of as many pieces of the signal, each `step` long, as the filter is
    wide; the next block begins one piece later. So no stretch of the signal is copied.
    """

    weights: Signal
    before: int


@cache
def _anti_aliasing(ratio: Fraction) -> _Filter:
    """Return the filter that makes a block of samples, beginning at any whole number of blocks."""
    up, down = ratio.numerator, ratio.denominator
    half = 10 * max(up, down)
    taps = up * firwin(2 * half + 1, 1.0 / max(up, down), window=("kaiser", 5.0))
    made = up * max(_SAMPLES_PER_BLOCK // up, 1)
    step, before = made * down // up, half // up
    pieces = -(-(before + ((made - 1) * down + half) // up + 1) // step)
    seen = np.arange(pieces * step) - before
    tap = half + down * np.arange(made)[None, :] - up * seen[:, None]
    weights = np.where((tap >= 0) & (tap < taps.size), taps[tap.clip(0, taps.size - 1)], 0.0)
    return _Filter(weights.reshape(pieces, step, made), before)


def decimated(signals: Sequence[Signal], ratio: Fraction) -> Signal:
    """Bring signals down to a lower rate (zero-lag, linear-phase anti-aliasing filter).

    Sample k of the result, shape (channels, samples), lies at sample k / ratio of the original.

    Parameters
    ----------
    signals
        Channels of one length, each of shape (samples,), without missing values.
    ratio
        Of the new rate to the old one, at most 1.

    Raises
    ------
    ValueError
        The ratio is above 1: detail that was not recorded cannot be made.
    """
    if ratio > 1:
        raise ValueError(f"a ratio of {ratio} would raise the rate: the common rate must be lower")
    if ratio == 1:
        return np.stack(signals)
    weights, before = _anti_aliasing(ratio)
    pieces, step, made = weights.shape
    channels, samples = len(signals), len(signals[0])
    slower = -(-samples * ratio.numerator // ratio.denominator)
    blocks = -(-slower // made)
    # Padding by the end values: an empty extension would pull both ends towards zero.
    padded = np.empty((channels, (blocks - 1 + pieces) * step))
    end = min(before + samples, padded.shape[1])
    for row, signal in zip(padded, signals, strict=True):
        row[:before] = signal[0]
        row[before:end] = signal[: end - before]
        row[end:] = signal[-1]
    of_signal = padded.reshape(channels, blocks - 1 + pieces, step)
    product = of_signal[:, :blocks] @ weights[0]
    for piece in range(1, pieces):
        product += of_signal[:, piece : piece + blocks] @ weights[piece]
    return product.reshape(channels, blocks * made)[:, :slower]
