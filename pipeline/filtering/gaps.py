"""Missing samples on a regular grid, and the bridging of short gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.spells import spells

Signal = NDArray[np.float64]
Indices = NDArray[np.int64]


def on_regular_grid(signals: Signal, slots: Indices) -> Signal:
    """Put samples on the regular grid; slots without a sample become NaN.

    Parameters
    ----------
    signals
        Shape (samples,) or (channels, samples).
    slots
        Slot of each sample on the regular grid, rising, from 0.
    """
    size = int(slots[-1]) + 1
    if size == signals.shape[-1]:
        return signals
    regular = np.full((*signals.shape[:-1], size), np.nan)
    regular[..., slots] = signals
    return regular


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of missing samples: first sample and end (exclusive)."""

    first: int
    end: int

    def overlaps(self, first: int, last: int) -> bool:
        """Tell whether a part of the gap lies in a window (both ends included)."""
        return self.first <= last and self.end > first

    def within(self, position: float, samples: float) -> bool:
        """Tell whether a part of the gap lies within `samples` of a position."""
        return self.first - samples <= position <= self.end - 1 + samples


def missing_stretches(signals: Signal) -> tuple[Gap, ...]:
    """Return where any channel of (samples,) or (channels, samples) misses a value."""
    missing = np.asarray(~np.isfinite(np.atleast_2d(signals)).all(axis=0), dtype=np.bool_)
    if not missing.any():
        return ()
    return tuple(Gap(int(first), int(end)) for first, end in zip(*spells(missing), strict=True))


def bridge_gaps(signals: Signal) -> Signal:
    """Fill missing samples with straight lines (ends: nearest value); the input stays untouched.

    Which of the bridged gaps may be used is for `unusable_gaps` to say, once the contacts are
    known.

    Raises
    ------
    ValueError
        A channel has no sample at all.
    """
    signals = np.asarray(signals, dtype=np.float64)
    present = np.isfinite(signals)
    if present.all():
        return signals
    filled = np.atleast_2d(signals).copy()
    position = np.arange(signals.shape[-1], dtype=np.float64)
    for channel, known in zip(filled, np.atleast_2d(present), strict=True):
        if not known.any():
            raise ValueError("a channel has no samples at all")
        channel[~known] = np.interp(position[~known], position[known], channel[known])
    return filled.reshape(signals.shape)


def unusable_gaps(
    gaps: tuple[Gap, ...],
    contacts: tuple[float, ...],
    rate_hz: float,
    *,
    maximum_gap_samples: int,
    gap_guard_s: float,
) -> tuple[Gap, ...]:
    """Return the gaps that must not be bridged: too long, or close to a contact.

    Parameters
    ----------
    gaps
        From `missing_stretches`.
    contacts
        Positions of the initial contacts, in samples.
    maximum_gap_samples
        Longest gap that a straight line may bridge (2: common practice, no source).
    gap_guard_s
        No gap at all is bridged within this time of a contact, where the force rises fastest.
    """
    guard = math.ceil(gap_guard_s * rate_hz)
    return tuple(
        gap
        for gap in gaps
        if gap.end - gap.first > maximum_gap_samples
        or any(gap.within(contact, guard) for contact in contacts)
    )
