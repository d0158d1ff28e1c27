"""Residual analysis: what a low-pass takes away, against its cut-off, and the noise read from it.

Source of the method: Winter, Biomechanics and Motor Control of Human Movement; the residual is the
root mean square of raw minus filtered. Where the cut-off lies above all signal, only noise is taken
away and the residual falls along a nearly straight line, the tail. That line extended to a cut-off
of zero, where everything would be taken away, meets the axis at the root mean square of the noise.
The suggested cut-off is the one whose residual equals it: the signal lost is then as large as the
noise that passes.

Closed form of what the straight line adds: white noise of standard deviation sigma through an ideal
low-pass leaves sigma sqrt(1 - x), with x = cut-off / Nyquist. It is concave, so a line that touches
it at x meets the axis at sigma (1 - x/2) / sqrt(1 - x), always above sigma: +1 % at x = 0.25, +2 %
at a third, +6 % at a half, +25 % at three quarters. A tail must therefore start below a third of
Nyquist. The zero-lag filter rolls off slowly and its residual falls more evenly than that of the
ideal one (`white_noise_residual`): a line from 0.3 to 0.5 of Nyquist gives 0.967 sigma.

Where a tail is no noise, the method tells nothing, and `suggest_cutoff` says so. An impact fills
the whole band of a slow sensor: its residual falls in the tail too, only faster than that of noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.butterworth import design_frequency, zero_lag_lowpass

Signal = NDArray[np.float64]

_NOTHING = 1e-9
"""No sensor here resolves a billionth of its SI unit: a smaller residual is rounding."""
_MIDPOINTS = 2000
"""Of the integral over the band, whose integrand is periodic: the rule errs by rounding only."""
_FEWEST = 3


@dataclass(frozen=True, slots=True)
class Tail:
    """The straight part of a residual curve.

    Parameters
    ----------
    intercept : the line at a cut-off of zero, an estimate of the noise, in the unit of the signal
    slope : per Hz
    misfit : largest distance of the curve from the line, as a share of the intercept
    fall : slope over intercept, as a multiple of that of white noise through the same filter
    """

    intercept: float
    slope: float
    misfit: float
    fall: float


@dataclass(frozen=True, slots=True)
class Suggested:
    """The cut-off whose residual equals the noise, and the tail that told the noise."""

    cutoff_hz: float
    tail: Tail


@dataclass(frozen=True, slots=True)
class NotSuggested:
    """Why a curve suggests no cut-off: a word for machines, a sentence for people."""

    reason: str
    detail: str
    tail: Tail | None = None


def candidate_cutoffs(lowest_hz: float, highest_hz: float, step_ratio: float) -> Signal:
    """Return rising cut-offs up to the highest, Hz, each `step_ratio` times the one before.

    Raises
    ------
    ValueError
        The lowest is not above zero and below the highest.
    """
    if not 0.0 < lowest_hz < highest_hz:
        raise ValueError(
            f"candidate cut-offs from {lowest_hz:g} to {highest_hz:g} Hz: the lowest must be above "
            "0 and below the highest"
        )
    steps = int(np.log(highest_hz / lowest_hz) / np.log(step_ratio))
    return highest_hz * step_ratio ** -np.arange(steps, -1, -1.0)


def residual_rms(
    signals: Signal,
    rate_hz: float,
    cutoffs_hz: Signal,
    *,
    order_per_pass: int,
    window: slice,
) -> Signal:
    """Return the root mean square of raw minus filtered, shape (cut-offs, ...).

    The whole recording is filtered; only the samples of `window` count.

    Parameters
    ----------
    signals
        Shape (..., samples): one or several channels, without missing values.
    window
        Samples over which the square is averaged.

    Raises
    ------
    ValueError
        A cut-off does not fit the rate or the length of the signal: see `zero_lag_lowpass`.
    """
    raw = signals[..., window]
    lost = []
    for cutoff_hz in cutoffs_hz.tolist():
        smooth = zero_lag_lowpass(
            signals, rate_hz, cutoff_hz=cutoff_hz, order_per_pass=order_per_pass
        )
        lost.append(np.sqrt(np.mean(np.square(raw - smooth[..., window]), axis=-1)))
    return np.stack(lost)


def white_noise_residual(cutoffs_hz: Signal, rate_hz: float, order_per_pass: int) -> Signal:
    """Return the residual of white noise of standard deviation 1, shape (cut-offs,).

    The mean of (1 - gain)^2 over the band, with the gain 1 / (1 + (w / w_d)^(2 order)) of both
    passes on the pre-warped frequency w = tan(pi f / rate). Closed form, integrated by midpoints.
    """
    frequencies = (np.arange(_MIDPOINTS) + 0.5) / (2.0 * _MIDPOINTS)  # in samples^-1
    warped = np.tan(np.pi * frequencies)
    designs = [design_frequency(c, rate_hz, order_per_pass) for c in cutoffs_hz.tolist()]
    design = np.tan(np.pi * np.array(designs) / rate_hz)[:, None]
    lost = 1.0 - 1.0 / (1.0 + (warped / design) ** (2 * order_per_pass))
    return np.sqrt(np.mean(lost**2, axis=-1))


def _line(cutoffs_hz: Signal, residuals: Signal) -> tuple[float, float]:
    intercept, slope = np.polynomial.polynomial.polyfit(cutoffs_hz, residuals, 1)
    return float(intercept), float(slope)


def fit_tail(cutoffs_hz: Signal, residuals: Signal, white_noise: Signal) -> Tail:
    """Fit a straight line through a tail by least squares.

    Parameters
    ----------
    cutoffs_hz, residuals, white_noise
        Shape (cut-offs,), three or more; the last is `white_noise_residual` at these cut-offs.

    Raises
    ------
    ValueError
        Fewer than three points: two always lie on a line.
    """
    if len(cutoffs_hz) < _FEWEST:
        raise ValueError(f"a tail of {len(cutoffs_hz)} cut-offs tells no line: 3 are needed")
    intercept, slope = _line(cutoffs_hz, residuals)
    distance = float(np.abs(intercept + slope * cutoffs_hz - residuals).max())
    of_noise = _line(cutoffs_hz, white_noise)
    fall = slope / intercept / (of_noise[1] / of_noise[0])
    return Tail(intercept, slope, distance / intercept, fall)


def suggest_cutoff(
    cutoffs_hz: Signal,
    residuals: Signal,
    white_noise: Signal,
    *,
    tail_from_hz: float,
    largest_misfit: float,
    largest_fall: float,
) -> Suggested | NotSuggested:
    """Return the cut-off whose residual equals the noise, or why the curve tells none.

    Parameters
    ----------
    cutoffs_hz, residuals, white_noise
        A residual curve and that of white noise, shape (cut-offs,), by rising cut-off.
    tail_from_hz
        The tail begins here and ends with the curve.
    largest_misfit, largest_fall
        A tail above one of them (see `Tail`) still loses signal and tells no noise.

    Raises
    ------
    ValueError
        The tail has fewer than three cut-offs.
    """
    in_tail = cutoffs_hz >= tail_from_hz
    if residuals[in_tail].max(initial=0.0) <= _NOTHING:
        return NotSuggested("no_noise", "nothing is left to take away in the tail")
    tail = fit_tail(cutoffs_hz[in_tail], residuals[in_tail], white_noise[in_tail])
    if tail.misfit > largest_misfit or tail.fall > largest_fall:
        return NotSuggested(
            "tail_not_noise",
            f"from {tail_from_hz:g} Hz on the residual leaves its line by {tail.misfit:.2g} of the "
            f"noise and falls {tail.fall:.2g} times as fast as white noise: it still loses signal",
            tail,
        )
    below = np.flatnonzero(residuals <= tail.intercept)
    if below.size == 0 or below[0] == 0:
        place = "never" if below.size == 0 else f"already at {cutoffs_hz[0]:g} Hz"
        return NotSuggested(
            "no_crossing",
            f"the residual is {place} as small as the noise among the candidates",
            tail,
        )
    first = int(below[0])
    high, low = residuals[first - 1], residuals[first]
    share = (high - tail.intercept) / (high - low)
    step = cutoffs_hz[first] - cutoffs_hz[first - 1]
    return Suggested(float(cutoffs_hz[first - 1] + share * step), tail)
