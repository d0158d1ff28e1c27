"""Filter only what is needed: a stretch of a recording, with a margin to settle in."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.extraction.signals import Signals
from pipeline.filtering.butterworth import settling_samples, zero_lag_lowpass
from pipeline.metrics.outcome import Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]

MARGIN_PERIODS = 8.0
"""Margin at both ends, in periods of the cut-off.

The second-order pass forgets its start as exp(-2 pi 0.88 t f_c) (0.707 of the design frequency,
which lies a factor 1.25 above the cut-off): 6e-20 after eight periods, so the stretch equals the
same samples of the filtered whole recording to rounding. Closed form.
"""


def unfit_for(cutoff_hz: float | None, recording: Signals) -> Refused | None:
    """Return why a cut-off cannot be applied to a recording (rate, length); None where it can."""
    if cutoff_hz is None:
        return None
    rate_hz, samples = recording.rate_hz, recording.samples
    if cutoff_hz >= 0.5 * rate_hz:
        return Refused(
            Reason.RATE_MISMATCH,
            f"{rate_hz:g} samples per second do not allow the cut-off of {cutoff_hz:g} Hz",
        )
    if samples <= (settling := settling_samples(cutoff_hz, rate_hz)):
        return Refused(
            Reason.SHORT_RECORDING,
            f"{recording.recording_id} has {samples} samples at {rate_hz:g} per second, expected "
            f"more than {settling}: three periods of the cut-off of {cutoff_hz:g} Hz",
        )
    return None


def filtered_between(
    signals: Signal,
    rate_hz: float,
    first: int,
    last: int,
    *,
    cutoff_hz: float | None,
    order_per_pass: int,
) -> Signal:
    """Return signals whose samples `first` to `last` are filtered; all others are NaN.

    The NaN make a use beyond the stretch visible instead of silently wrong.

    Parameters
    ----------
    signals
        Shape (..., samples), without missing values.
    first, last
        The stretch, both ends included; it is cut to the recording.
    cutoff_hz
        See `zero_lag_lowpass`; None leaves the samples as they are.
    """
    size = signals.shape[-1]
    first, last = max(first, 0), min(last, size - 1)
    result = np.full_like(signals, np.nan)
    if cutoff_hz is None:
        result[..., first : last + 1] = signals[..., first : last + 1]
        return result
    margin = int(np.ceil(MARGIN_PERIODS * rate_hz / cutoff_hz))
    start, end = max(first - margin, 0), min(last + margin + 1, size)
    smooth = zero_lag_lowpass(
        signals[..., start:end], rate_hz, cutoff_hz=cutoff_hz, order_per_pass=order_per_pass
    )
    result[..., first : last + 1] = smooth[..., first - start : last + 1 - start]
    return result
