"""The lag between the clocks of two recordings, by a stomp that both have seen.

The athlete stamps on the plate with the units on. Both signals are limited to one band and brought
to one grid; the highest normalised cross-correlation gives the lag, between the points of the grid
by the parabola through the peak.

What a stomp cannot tell: the shock reaches the waist some milliseconds after the plate, through
soft tissue. That delay looks exactly like a lag of the clocks, so that the lag found is the lag of
the clocks plus the delay of the stomp's shock; its part that is the same in the landings is taken
away with it, from the contact lag of the waist as well. The accuracy is bounded by that delay
and by how differently both feel the shock (on open running data of one person the waist's lag
spreads by 4 ms and reaches 10), not by the correlation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.butterworth import zero_lag_lowpass
from pipeline.filtering.sampled import derivative, peak_position
from pipeline.metrics.outcome import Refused
from pipeline.reasons import Reason
from shared.settings.processing import Synchronisation

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shock:
    """What a sensor shows of a stomp.

    Attributes
    ----------
    values
        Limited to the band, shape (samples,); in body weights or g where `unit` says so.
    rate_hz
        Sampling rate.
    unit
        "BW" or "g"; '' where no size is known by which to tell a stomp.
    """

    values: Signal
    rate_hz: float
    unit: str

    @property
    def duration_s(self) -> float:
        """Last minus first sample."""
        return (self.values.size - 1) / self.rate_hz

    def at(self, time_s: Signal) -> Signal:
        """Return the values at times from the first sample, by cubic splines; 0 outside."""
        from scipy.interpolate import CubicSpline

        inside = (time_s >= 0.0) & (time_s <= self.duration_s)
        values = np.zeros(time_s.size)
        if inside.any():
            own = np.arange(self.values.size) / self.rate_hz
            values[inside] = CubicSpline(own, self.values)(time_s[inside])
        return values


@dataclass(frozen=True, slots=True)
class StompLag:
    """A lag and how well it is founded.

    Attributes
    ----------
    lag_s
        An instant that the reference sees at time t after its first sample, the other recording
        sees at t + lag after its own first sample.
    correlation
        Normalised cross-correlation at the lag, 1 at most.
    second_peak
        The next best correlation outside of the peak, over the best.
    """

    lag_s: float
    correlation: float
    second_peak: float


def _limited(values: Signal, rate_hz: float, order: int, settings: Synchronisation) -> Signal:
    """Take away what is slower than the band; what is faster is gone already."""
    slow = zero_lag_lowpass(values, rate_hz, cutoff_hz=settings.band_low_hz, order_per_pass=order)
    limited = values - slow
    # The filter holds on to the first and the last sample, noise and all: two recordings must not
    # be found alike by their ends.
    ends = math.ceil(rate_hz / settings.band_high_hz)
    limited[:ends] = limited[-ends:] = 0.0
    return limited


def shock(
    signal: Signal, rate_hz: float, unit: str, *, order_per_pass: int, settings: Synchronisation
) -> Shock:
    """Return the shock in a force or an acceleration.

    Parameters
    ----------
    signal
        Force in body weights or resultant acceleration in g, shape (samples,).

    Raises
    ------
    ValueError
        The band does not fit the rate, or the recording is shorter than the filter needs.
    """
    fast = {"cutoff_hz": settings.band_high_hz, "order_per_pass": order_per_pass}
    smooth = zero_lag_lowpass(signal, rate_hz, **fast)
    return Shock(_limited(smooth, rate_hz, order_per_pass, settings), rate_hz, unit)


def shock_of_rates(
    rates: Signal, rate_hz: float, *, order_per_pass: int, settings: Synchronisation
) -> Shock:
    """Return the shock in the rates of turn of a segment: the size of the angular acceleration.

    The push of the ground under the foot is what stops the shank, but not for as long as it
    pushes: a lag by it is off by about half of the difference, up to 12 ms on closed forms.

    Parameters
    ----------
    rates
        Shape (axes, samples).

    Raises
    ------
    ValueError
        As `shock`.
    """
    fast = {"cutoff_hz": settings.band_high_hz, "order_per_pass": order_per_pass}
    change = derivative(zero_lag_lowpass(rates, rate_hz, **fast), rate_hz)
    size = np.sqrt((change * change).sum(axis=0))
    return Shock(_limited(size, rate_hz, order_per_pass, settings), rate_hz, "")


def _correlations(fixed: Signal, sliding: Signal) -> Signal:
    """Return the normalised cross-correlation of `fixed` at every place in `sliding`."""
    products = np.correlate(sliding, fixed, mode="valid")
    energy = np.concatenate(([0.0], np.cumsum(sliding * sliding)))
    under = (energy[fixed.size :] - energy[: -fixed.size]) * float(fixed @ fixed)
    # Where nothing happens (padding beyond the recording) nothing correlates.
    usable = under > 1e-12 * under.max()
    return np.where(usable, products / np.sqrt(np.where(usable, under, 1.0)), 0.0)


def _second_peak(correlations: Signal, best: int) -> float:
    """Return the highest peak outside of the positive stretch around the best one, over it."""
    not_positive = np.flatnonzero(correlations <= 0.0)
    before = not_positive[not_positive < best]
    after = not_positive[not_positive > best]
    rest = [
        *(correlations[: before[-1] + 1] if before.size else ()),
        *(correlations[after[0] :] if after.size else ()),
    ]
    return max(max(rest, default=0.0) / float(correlations[best]), 0.0)


def no_stomp(
    seen: Shock, first_s: float, until_s: float, settings: Synchronisation
) -> Refused | None:
    """Say that no shock between two times is as large as that of a stomp; None where one is."""
    time_s = np.arange(seen.values.size) / seen.rate_hz
    inside = (time_s >= first_s) & (time_s <= until_s)
    largest = float(np.abs(seen.values[inside]).max(initial=0.0))
    if not seen.unit or largest >= settings.smallest_shock:
        return None
    return Refused(
        Reason.SYNC_FAIL,
        f"no stomp: the largest shock is {largest:.2f} {seen.unit}, expected "
        f"{settings.smallest_shock:g} {seen.unit} or more",
    )


def stomp_lag(
    reference: Shock,
    other: Shock,
    first_s: float,
    settings: Synchronisation,
    *,
    beside_s: float = 0.0,
) -> StompLag | Refused:
    """Find the lag of a recording behind the reference, or say why there is none to be found.

    Parameters
    ----------
    first_s
        Where the window of `search_s` begins, from the reference's first sample.
    beside_s
        Where the reference's first sample lies in the other recording, as far as is known; the lag
        is sought, and counted, from there.
    """
    step = 1.0 / settings.grid_hz
    size = round(settings.search_s * settings.grid_hz)
    reach = round(settings.largest_lag_s * settings.grid_hz)
    fixed = reference.at(first_s + step * np.arange(size))
    sliding = other.at(beside_s + first_s + step * np.arange(-reach, size + reach))
    correlations = _correlations(fixed, sliding)
    best = int(np.argmax(correlations))
    highest = float(correlations[best])
    if highest < settings.smallest_correlation:
        return Refused(
            Reason.SYNC_FAIL,
            f"the stomp does not look the same in both recordings: correlation {highest:.3f}, "
            f"expected {settings.smallest_correlation:g} or more",
        )
    if best in (0, 2 * reach):
        return Refused(
            Reason.SYNC_FAIL,
            "the clocks are further apart than is searched: the highest correlation is at the end "
            f"of the {settings.largest_lag_s:g} s",
        )
    second = _second_peak(correlations, best)
    if second > settings.largest_second_peak:
        return Refused(
            Reason.SYNC_FAIL,
            f"the lag is ambiguous: another one correlates {second:.2f} times as well, expected "
            f"{settings.largest_second_peak:g} at most",
        )
    lag_s = (peak_position(correlations, best) - reach) / settings.grid_hz
    return StompLag(lag_s, highest, second)
