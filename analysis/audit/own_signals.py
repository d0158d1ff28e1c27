"""Filtering and common rates of the second path, by the library's own functions."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from analysis.audit.raw_files import NotReadableError, RawSignals

Signal = NDArray[np.float64]

_ANTI_ALIAS_ORDER, _ANTI_ALIAS_SHARE = 8, 0.9  # of the new Nyquist frequency: common practice


@lru_cache(maxsize=32)
def _sections(frequency_hz: float, rate_hz: float, order: int) -> Signal:
    from scipy.signal import butter  # late: a table that names these metrics filters nothing

    return butter(order, frequency_hz, fs=rate_hz, output="sos")


def smoothed(signal: Signal, rate_hz: float, cutoff_hz: float | None, order: int) -> Signal:
    """Filter forward and backward; both passes together are 3 dB down at the cut-off.

    Each pass alone must lie higher, by (sqrt 2 - 1)^(1 / 2 order) on the frequency of the analogue
    filter: Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69.

    Parameters
    ----------
    signal
        Shape (samples,) or (channels, samples).
    cutoff_hz
        None leaves the signal as it is.

    Raises
    ------
    NotReadableError
        The rate is too low for the cut-off.
    """
    if cutoff_hz is None:
        return signal
    if cutoff_hz >= rate_hz / 2.0:
        raise NotReadableError(f"{rate_hz:g} samples per second are too few for {cutoff_hz:g} Hz")
    analogue = np.tan(np.pi * cutoff_hz / rate_hz) / (np.sqrt(2.0) - 1.0) ** (0.5 / order)
    each = float(rate_hz / np.pi * np.arctan(analogue))
    from scipy.signal import sosfiltfilt

    return np.asarray(sosfiltfilt(_sections(each, rate_hz, order), signal, axis=-1))


def at_common_rate(signals: RawSignals, common_hz: float | None) -> RawSignals:
    """Return signals at a lower rate: low-passed without lag, then read between the samples."""
    if common_hz is None or common_hz >= 0.999 * signals.rate_hz or not signals.channels:
        return signals
    from scipy.interpolate import CubicSpline
    from scipy.signal import sosfiltfilt

    edge = _ANTI_ALIAS_SHARE * common_hz / 2.0
    matrix = np.stack(list(signals.channels.values()))
    sections = _sections(round(edge, 6), round(signals.rate_hz, 6), _ANTI_ALIAS_ORDER)
    matrix = sosfiltfilt(sections, matrix, axis=-1)
    samples = matrix.shape[-1]
    step = signals.rate_hz / common_hz
    places = np.arange(0.0, samples - 1 + 1e-9, step)
    slower = CubicSpline(np.arange(samples), matrix, axis=-1)(places)
    channels = dict(zip(signals.channels, slower, strict=True))
    return RawSignals(signals.start_s, common_hz, channels)


def stillest(signal: Signal, width: int, first: int, end: int) -> tuple[int, int, float] | None:
    """Return first and last sample and deviation of the stillest window; None if none fits."""
    stretch = signal[first:end]
    if width < 2 or len(stretch) < width:
        return None
    centred = stretch - stretch.mean()
    shift = width // 2  # the library centres its window
    means = uniform_filter1d(centred, width)[shift : shift + len(stretch) - width + 1]
    squares = uniform_filter1d(centred**2, width)[shift : shift + len(stretch) - width + 1]
    start = first + int(np.argmin(squares - means**2))
    return start, start + width - 1, float(signal[start : start + width].std())


def between(signal: Signal, position: float) -> float:
    """Return a signal between two samples, on the straight line."""
    return float(np.interp(position, np.arange(len(signal)), signal))


def integral(signal: Signal, rate_hz: float, first: float, last: float) -> float:
    """Return the integral between two places with a fraction, by trapezoids."""
    inner = np.arange(np.floor(first) + 1.0, np.ceil(last))
    places = np.concatenate(([first], inner, [last]))
    values = np.interp(places, np.arange(len(signal)), signal)
    return float(np.trapezoid(values, places)) / rate_hz
