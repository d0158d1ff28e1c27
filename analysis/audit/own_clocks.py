"""Recordings with clocks of their own on one clock by a stomp, by the second path.

The lag is that of the highest cross-correlation of force and acceleration in the band of the
settings, by the library's filter and correlation on a grid of milliseconds. The stretches of the
stomps are cut off.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, correlate, sosfiltfilt

from analysis.audit.raw_files import NotReadableError, RawSignals
from shared.channels import AXES
from shared.settings.processing import ProcessingSettings, Synchronisation

Signal = NDArray[np.float64]

_GRID_HZ = 1000.0
_WAIST = tuple(f"waist_acceleration.{axis}" for axis in AXES)


def _plates(signals: RawSignals) -> list[str]:
    return [name for name in signals.channels if name.startswith("vertical_force.")]


def _in_band(values: Signal, rate_hz: float, chosen: Synchronisation) -> Signal:
    """Return a signal limited to the band, on the grid, from its first sample on."""
    band = (chosen.band_low_hz, chosen.band_high_hz)
    limited = sosfiltfilt(butter(2, band, "bandpass", fs=rate_hz, output="sos"), values)
    own = np.arange(len(values)) / rate_hz
    return np.interp(np.arange(0.0, own[-1], 1.0 / _GRID_HZ), own, limited)


def _lag_s(force: Signal, felt: Signal, chosen: Synchronisation) -> float:
    """Return how much later the second has the stomp at the start, from both first samples."""
    size, reach = (round(s * _GRID_HZ) for s in (chosen.search_s, chosen.largest_lag_s))
    fixed = force[:size]
    sliding = np.concatenate([np.zeros(reach), felt])[: size + 2 * reach]
    products = correlate(sliding, fixed, "valid")
    energy = np.convolve(sliding**2, np.ones(len(fixed)), "valid")
    alike = products / np.sqrt(np.maximum(energy, 1e-12 * energy.max()) * float(fixed @ fixed))
    best = int(np.argmax(alike))
    if alike[best] < chosen.smallest_correlation or best in (0, len(alike) - 1):
        raise NotReadableError("the stomp does not tell the second path how far the clocks are")
    before, top, after = alike[best - 1 : best + 2]
    return (best + 0.5 * (before - after) / (before - 2.0 * top + after) - reach) / _GRID_HZ


def _common_samples(rate_hz: float, settings: ProcessingSettings) -> int:
    """Return after how many samples one is also a sample at every common rate.

    A stretch begins at such a one, so that what is left of the lags' error is less than a sample
    apart or none at all, and decides nothing about where the samples of a slower signal lie.
    """
    common = [x for x in settings.filtering.harmonised_rate_hz.by_sensor.values() if x]
    slower = (Fraction(x / rate_hz).limit_denominator(25) for x in common if x < rate_hz)
    return math.lcm(*(ratio.denominator for ratio in slower))


def _between(signals: RawSignals, from_s: float, until_s: float, every: int) -> RawSignals:
    first = max(math.ceil((signals.position(from_s) - 1e-6) / every) * every, 0)
    end = math.floor(signals.position(until_s)) + 1
    kept = {name: values[first:end] for name, values in signals.channels.items()}
    return RawSignals(signals.seconds(first), signals.rate_hz, kept)


def on_one_clock(
    recordings: Mapping[str, RawSignals], weight_n: float, settings: ProcessingSettings
) -> dict[str, RawSignals]:
    """Return the recordings of a trial on the clock of its plates, without the stomps.

    Raises
    ------
    NotReadableError
        No plates, or a recording without a waist unit beside them; a stomp that tells no lag.
    """
    chosen = settings.synchronisation
    if "start" not in chosen.stomp_at:
        raise NotReadableError("the second path reads the stomp at the start only")
    reference = next((x for x in recordings.values() if _plates(x)), None)
    if reference is None:
        raise NotReadableError("the second path knows no stomp without plates")
    total = np.sum([reference.channels[name] for name in _plates(reference)], axis=0)
    force = _in_band(total / weight_n, reference.rate_hz, chosen)
    from_s = reference.start_s + chosen.search_s
    until_s = reference.seconds(len(total) - 1)
    until_s -= chosen.search_s if "end" in chosen.stomp_at else 0.0
    together = {}
    for device, signals in recordings.items():
        shifted = signals
        if signals is not reference:
            if not all(name in signals.channels for name in _WAIST):
                raise NotReadableError("the second path knows no stomp without a waist unit")
            axes = np.stack([signals.channels[name] for name in _WAIST])
            felt = np.linalg.norm(axes, axis=0) / settings.standard_gravity
            lag_s = _lag_s(force, _in_band(felt, signals.rate_hz, chosen), chosen)
            start_s = reference.start_s - lag_s
            shifted = RawSignals(start_s, signals.rate_hz, signals.channels)
        every = _common_samples(shifted.rate_hz, settings)
        together[device] = _between(shifted, from_s, until_s, every)
    return together
