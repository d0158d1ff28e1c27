"""The time base: rate, order, missing samples; and the bridging of short gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.spells import spells

Signal = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TimeBase:
    """What the time column says.

    Attributes
    ----------
    start_s
        Time of the first sample.
    rate_hz
        Sampling rate by the median interval, or over the whole column where no sample is missing.
    jitter_s
        Largest distance of a sample from its slot on the regular grid.
    slots
        Slot of each sample on the regular grid, starting at 0; they skip where samples miss.
    missing
        Number of slots without a sample.
    """

    start_s: float
    rate_hz: float
    jitter_s: float
    slots: Indices
    missing: int


def time_base(time_s: Signal) -> TimeBase:
    """Read the time base from a time column.

    Raises
    ------
    ValueError
        Fewer than two samples, a missing time, or a time that does not increase (its row is
        named, counted from 0).
    """
    if len(time_s) < 2:
        raise ValueError(f"{len(time_s)} samples are too few for a time base")
    if not np.isfinite(time_s).all():
        raise ValueError(f"the time of sample {int(np.argmin(np.isfinite(time_s)))} is missing")
    steps = np.diff(time_s)
    if steps.min() <= 0.0:
        sample = int(np.argmax(steps <= 0.0)) + 1
        raise ValueError(
            f"time does not increase at sample {sample}: "
            f"{time_s[sample]:g} s follows {time_s[sample - 1]:g} s"
        )
    intervals = np.maximum(np.rint(steps / np.median(steps)).astype(np.int64), 1)
    slots = np.concatenate(([0], np.cumsum(intervals)))
    # The whole length beats the median: printed times are rounded, the rate must not be.
    period = float(time_s[-1] - time_s[0]) / float(slots[-1])
    jitter = float(np.max(np.abs(time_s - time_s[0] - slots * period)))
    return TimeBase(
        start_s=float(time_s[0]),
        rate_hz=1.0 / period,
        jitter_s=jitter,
        slots=slots,
        missing=int(slots[-1]) + 1 - len(time_s),
    )


def on_regular_grid(signals: Signal, slots: Indices) -> Signal:
    """Put samples on the regular grid; slots without a sample become NaN.

    Parameters
    ----------
    signals
        Shape (samples,) or (channels, samples).
    slots
        As in `TimeBase`.
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
