"""Zero-lag Butterworth low-pass whose cut-off is the -3 dB point of both passes together."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt_zi

Signal = NDArray[np.float64]

_PASSES = 2  # forward and backward


def pass_correction(order_per_pass: int, passes: int = _PASSES) -> float:
    """Return C, the ratio of the combined -3 dB point to the cut-off of one pass.

    Each pass is 0.7071 at its cut-off, so `passes` of them are lower there and the combined
    -3 dB point lies below: C = (2^(1/passes) - 1)^(1/(2 order)), on the pre-warped frequency.

    Source: Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69.
    """
    return float((2.0 ** (1.0 / passes) - 1.0) ** (1.0 / (2.0 * order_per_pass)))


def design_frequency(cutoff_hz: float, rate_hz: float, order_per_pass: int) -> float:
    """Return the cut-off (Hz) of one pass that puts the combined -3 dB point at `cutoff_hz`.

    The correction applies to the analogue frequency of the bilinear transform,
    tan(pi f_design / rate) = tan(pi f_cutoff / rate) / C; dividing by C itself is right only
    far below the Nyquist frequency.

    Raises
    ------
    ValueError
        The cut-off is not between 0 and half of the sampling rate.
    """
    if not 0.0 < cutoff_hz < rate_hz / 2.0:
        raise ValueError(
            f"a cut-off of {cutoff_hz:g} Hz cannot be applied at {rate_hz:g} samples per second: "
            f"it must be above 0 and below {rate_hz / 2.0:g} Hz. Lower the cut-off in "
            "processing.yaml, or leave this signal unfiltered (null)"
        )
    warped = math.tan(math.pi * cutoff_hz / rate_hz) / pass_correction(order_per_pass)
    return rate_hz / math.pi * math.atan(warped)


def settling_samples(cutoff_hz: float, rate_hz: float) -> int:
    """Return how many samples at each end of a filtered signal lean on the padding (3/cut-off)."""
    return math.ceil(3.0 * rate_hz / cutoff_hz)


@lru_cache(maxsize=64)
def _sections(cutoff_hz: float, rate_hz: float, order_per_pass: int) -> tuple[Signal, Signal]:
    """Return the second-order sections and their state after an endless constant of one."""
    design = design_frequency(cutoff_hz, rate_hz, order_per_pass)
    sections = butter(order_per_pass, design, btype="low", fs=rate_hz, output="sos")
    return sections, sosfilt_zi(sections)


def _one_pass(signals: Signal, sections: Signal, steady: Signal) -> Signal:
    # Section by section the library's plain filter does the same sums with a quarter of the calls
    # around them. Each channel starts as if its first value had always been there.
    first = signals[..., :1]
    for section, state in zip(sections, steady, strict=True):
        signals = lfilter(section[:3], section[3:], signals, axis=-1, zi=state * first)[0]
    return signals


def zero_lag_lowpass(
    signals: Signal, rate_hz: float, *, cutoff_hz: float, order_per_pass: int
) -> Signal:
    """Filter forward and backward along the last axis; the effective order is twice the order.

    Filter the whole recording, not a piece cut at the contact: the ends are extended by odd
    reflection over `settling_samples`.

    Parameters
    ----------
    signals
        Shape (samples,) or (channels, samples), without missing values.
    rate_hz
        Sampling rate.
    cutoff_hz
        -3 dB point of both passes together.
    order_per_pass
        Order of each pass; 2 gives what biomechanics calls a fourth-order zero-lag filter.

    Raises
    ------
    ValueError
        The cut-off does not fit the rate, the signal is too short, or samples are missing.
    """
    signals = np.asarray(signals, dtype=np.float64)
    sections, steady = _sections(float(cutoff_hz), float(rate_hz), int(order_per_pass))
    padding = settling_samples(cutoff_hz, rate_hz)
    samples = signals.shape[-1]
    if samples <= padding:
        raise ValueError(
            f"a signal of {samples} samples is too short for a cut-off of {cutoff_hz:g} Hz at "
            f"{rate_hz:g} samples per second: more than {padding} are needed"
        )
    if not np.isfinite(signals).all():
        raise ValueError("missing samples cannot be filtered: fill or cut the gaps first")
    # What the library's forward-backward filter does, without designing its start state each time.
    before = 2.0 * signals[..., :1] - signals[..., padding:0:-1]
    after = 2.0 * signals[..., -1:] - signals[..., -2 : -padding - 2 : -1]
    extended = np.concatenate([before, signals, after], axis=-1)
    forward = _one_pass(extended, sections, steady)
    backward = _one_pass(forward[..., ::-1], sections, steady)[..., ::-1]
    return np.ascontiguousarray(backward[..., padding : padding + samples])
