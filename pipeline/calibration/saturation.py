"""Saturation: samples at which a sensor has run into the end of its range.

A clipped peak is not wrong but right-censored: the true one is at least as large. Look for it in
the raw samples; a filter hides it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.spells import spells

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Clipping:
    """Which samples are clipped: per axis, shape (axes, samples)."""

    mask: NDArray[np.bool_]
    rate_hz: float

    def samples_between(self, first_sample: int, last_sample: int) -> int:
        """Return how many samples of a stretch (both ends included) are clipped on any axis."""
        return int(self.mask[:, first_sample : last_sample + 1].any(axis=0).sum())

    def at_rate(self, rate_hz: float) -> Clipping:
        """Return which samples of a lower rate stand for a clipped one (its neighbours' middle)."""
        if rate_hz == self.rate_hz:
            return self
        axis, sample = np.nonzero(self.mask)
        size = math.ceil(self.mask.shape[1] * rate_hz / self.rate_hz)
        mask = np.zeros((self.mask.shape[0], size), dtype=bool)
        nearest = np.rint(sample * rate_hz / self.rate_hz).astype(np.int64)
        mask[axis, np.minimum(nearest, size - 1)] = True
        return Clipping(mask, rate_hz)

    @property
    def samples(self) -> int:
        """Number of samples that are clipped on any axis."""
        return int(self.mask.any(axis=0).sum())

    @property
    def duration_s(self) -> float:
        """Time that these samples stand for."""
        return self.samples / self.rate_hz

    @property
    def axes(self) -> tuple[int, ...]:
        """Axes with at least one clipped sample."""
        return tuple(int(axis) for axis in np.flatnonzero(self.mask.any(axis=1)))


def clipping(
    signals: Signal,
    rate_hz: float,
    *,
    full_scale: float,
    clip_share_of_range: float,
    flat_top_share_of_range: float,
    flat_top_samples: int,
    resolution: float | Signal = 0.0,
) -> Clipping:
    """Find saturated samples.

    A sample is clipped when its magnitude reaches `clip_share_of_range` of full scale, or when it
    belongs to a flat top: `flat_top_samples` neighbours above `flat_top_share_of_range` that differ
    by less than two steps of `resolution` (an on-chip filter rounds the corners and may keep the
    value below full scale). Source of the rules: common practice, no source.

    Parameters
    ----------
    signals
        Raw samples, shape (axes, samples), in the unit of `full_scale`.
    resolution
        Smallest step of the converter, of all axes or of each, shape (axes,); 0 when unknown (then
        only equal neighbours are flat).
    """
    magnitude = np.abs(signals)
    mask = magnitude >= clip_share_of_range * full_scale
    high = magnitude >= flat_top_share_of_range * full_scale
    if not high.any():
        return Clipping(mask, rate_hz)
    # A constant step in a signal of `resolution` 0 is an equal neighbour up to rounding.
    steps = np.broadcast_to(np.maximum(np.multiply(2.0, resolution), 1e-9 * full_scale), len(high))
    for axis in np.flatnonzero(high.any(axis=1)):
        flat = (np.abs(np.diff(signals[axis])) < steps[axis]) & high[axis, 1:] & high[axis, :-1]
        for first, end in zip(*spells(flat), strict=True):
            if end - first + 1 >= flat_top_samples:  # n flat steps join n + 1 samples
                mask[axis, first : end + 1] = True
    return Clipping(mask, rate_hz)
