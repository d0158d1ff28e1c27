"""A recording ready for work: regular time grid, gaps bridged, places mapped to the file.

Two places in one recording: a *slot* counts on the regular grid, a *raw sample* counts rows of the
file. They differ only where rows are missing. Tables carry raw samples.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.gaps import Gap, bridge_gaps, missing_stretches, on_regular_grid
from pipeline.readers.recording import Recording

Signal = NDArray[np.float64]
Indices = NDArray[np.int64]


class RawSamples(NamedTuple):
    """From slots of a recording, at its common rate, to the rows of its file.

    `slots` are those of the rows at the rate of the file; None when no row is missing. Rates may be
    arrays, one for each slot.
    """

    recorded_hz: float | Signal
    rate_hz: float | Signal
    slots: Indices | None

    def of(self, slots: Indices) -> Indices:
        """Return the raw sample of each slot; for a bridged slot, the sample before the gap."""
        recorded = np.rint(slots * self.recorded_hz / self.rate_hz).astype(np.int64)
        if self.slots is None:
            return recorded
        return np.maximum(np.searchsorted(self.slots, recorded, side="right") - 1, 0)


@dataclass(frozen=True, slots=True)
class Signals:
    """Signals of one recording.

    Parameters
    ----------
    recording_id : name of the recording
    device : device profile
    start_s : time of slot 0 on the trial's clock
    rate_hz : sampling rate found in the file
    channels : canonical channel -> SI values on the regular grid, without missing values
    gaps : stretches of slots whose values were missing and are bridged by straight lines
    flags : flags of the recording that concern all of its values
    slots : slot of each raw sample; None when no row is missing
    recorded : the same channels at the rate of the file; None where this is that rate
    clock : '' on the clock of the trial; else the devices that share the clock it is on
    largest : a magnitude that no sample of a channel exceeds, where the reader has looked for it
    """

    recording_id: str
    device: str
    start_s: float
    rate_hz: float
    channels: dict[str, Signal]
    gaps: tuple[Gap, ...] = ()
    flags: tuple[str, ...] = ()
    slots: Indices | None = None
    recorded: Signals | None = None
    clock: str = ""
    largest: Mapping[str, float] = field(default_factory=dict)

    @property
    def samples(self) -> int:
        """Number of slots."""
        return next(iter(self.channels.values())).size

    @property
    def as_recorded(self) -> Signals:
        """The signals at the rate of the file, where saturation and gaps are judged."""
        return self.recorded or self

    def recorded_position(self, position: float) -> float:
        """Return the place of a position in the signals as recorded."""
        return position * self.as_recorded.rate_hz / self.rate_hz

    def position(self, time_s: float) -> float:
        """Return the place of an instant of the trial's clock, in slots."""
        return (time_s - self.start_s) * self.rate_hz

    def seconds(self, position: float) -> float:
        """Return the time of a place on the trial's clock."""
        return self.start_s + position / self.rate_hz

    @property
    def raw_samples(self) -> RawSamples:
        """Where slots lie in the file."""
        recorded = self.as_recorded
        return RawSamples(recorded.rate_hz, self.rate_hz, recorded.slots)

    def raw_sample(self, slot: int) -> int:
        """Return the raw sample of a slot; for a bridged slot, the sample before the gap."""
        recorded = self.as_recorded
        if recorded.slots is None:  # the plain numbers of one sample, without an array
            return round(slot * recorded.rate_hz / self.rate_hz)
        return int(self.raw_samples.of(np.array(slot)))

    def largest_magnitude(self, name: str) -> float:
        """Return a magnitude that no sample of a channel exceeds."""
        known = self.largest.get(name)
        if known is None:
            values = self.channels[name]
            known = max(float(values.max()), -float(values.min()))
        return known

    def stack(self, names: list[str]) -> Signal:
        """Return channels as an array of shape (channels, slots)."""
        return np.stack([self.channels[name] for name in names])

    def has(self, *names: str) -> bool:
        """Tell whether all of these channels were recorded."""
        return all(name in self.channels for name in names)


def _slots(recording: Recording) -> Indices:
    slots = np.arange(recording.samples)
    for gap in recording.gaps:
        slots[gap.after + 1 :] += gap.length
    return slots


def _is_complete(recording: Recording) -> bool:
    """Tell whether every channel has a value in every row: its extremes are none otherwise."""
    largest, channels = recording.largest, recording.channels
    unknown = [values.sum() for name, values in channels.items() if name not in largest]
    return all(map(math.isfinite, (*largest.values(), *unknown)))


def prepare(recording: Recording, recording_id: str, flags: tuple[str, ...]) -> Signals:
    """Put a recording on its regular grid and bridge what is missing.

    A channel without a single value is left out, as if it had not been recorded. Whether a
    bridged gap may be used is decided per value: see `Signals.gaps`.
    """
    if not recording.gaps and _is_complete(recording):
        return Signals(
            recording_id,
            recording.device,
            float(recording.time_s[0]),
            recording.rate_hz,
            recording.channels,
            flags=flags,
            largest=recording.largest,
        )
    present = [name for name in recording.channels if not np.isnan(recording.channels[name]).all()]
    slots = _slots(recording)
    matrix = on_regular_grid(np.stack([recording.channels[name] for name in present]), slots)
    bridged = bridge_gaps(matrix)
    return Signals(
        recording_id,
        recording.device,
        float(recording.time_s[0]),
        recording.rate_hz,
        {name: bridged[row] for row, name in enumerate(present)},
        missing_stretches(matrix),
        flags,
        slots if recording.gaps else None,
    )
