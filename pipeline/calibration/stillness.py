"""The stillest stretch of a recording, found with running sums in one pass."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of samples: the first and the last one that belong to it."""

    first_sample: int
    last_sample: int

    @property
    def samples(self) -> slice:
        """The slice that cuts the window out of a signal."""
        return slice(self.first_sample, self.last_sample + 1)


def mean_and_sd(still: Signal) -> tuple[float, float]:
    """Return mean and standard deviation of a stretch, shape (samples,); divided by its size.

    The sums are those of the array's own methods, in half their time: the mean is made once.
    """
    mean = still.sum() / still.size
    distances = still - mean
    return float(mean), math.sqrt((distances * distances).sum() / still.size)


def moving_mean(signal: Signal, width: int) -> Signal:
    """Return the mean in a sliding window of a signal; result k starts at sample k."""
    sums = np.zeros(len(signal) + 1)
    np.cumsum(signal, out=sums[1:])
    mean = sums[width:] - sums[:-width]
    mean /= width
    return mean


def moving_mean_and_sd(signals: Signal, width: int) -> tuple[Signal, Signal]:
    """Return mean and standard deviation in a sliding window, along the last axis.

    Result k belongs to the window that starts at sample k; there are `samples - width + 1`. The
    deviation is that of the samples around the window's own mean (divided by `width`).
    """
    signals = np.asarray(signals, dtype=np.float64)
    centre = signals.mean(axis=-1, keepdims=True)  # keeps the squares small, so no digits are lost
    sums = np.zeros((2, *signals.shape[:-1], signals.shape[-1] + 1))
    centred = np.subtract(signals, centre, out=sums[0, ..., 1:])
    np.multiply(centred, centred, out=sums[1, ..., 1:])
    np.cumsum(sums, axis=-1, out=sums)
    mean, variance = (sums[..., width:] - sums[..., :-width]) / width
    variance -= mean * mean
    np.maximum(variance, 0.0, out=variance)
    mean += centre
    return mean, np.sqrt(variance, out=variance)


def window_samples(window_s: float, rate_hz: float, available: int) -> int:
    """Return a window's length in samples.

    Raises
    ------
    ValueError
        The recording is shorter than the window, or the window holds fewer than two samples.
    """
    width = round(window_s * rate_hz)
    if width < 2 or width > available:
        raise ValueError(
            f"{available} samples at {rate_hz:g} per second do not hold a window of "
            f"{window_s:g} s ({width} samples)"
        )
    return width


def stillest_window(
    signals: Signal, scales: ArrayLike, rate_hz: float, *, window_s: float
) -> Window:
    """Return the window in which the scaled standard deviations add up to the smallest sum.

    Parameters
    ----------
    signals
        Shape (channels, samples).
    scales
        One per channel: the standard deviation that counts as one (for example its limit).

    Raises
    ------
    ValueError
        The recording is shorter than the window.
    """
    width = window_samples(window_s, rate_hz, signals.shape[-1])
    _, spread = moving_mean_and_sd(signals, width)
    restlessness = (spread / np.asarray(scales, dtype=np.float64)[:, None]).sum(axis=0)
    first = int(np.argmin(restlessness))
    return Window(first, first + width - 1)
