"""How much of a recording is saturated, and on which channels: for the table `recordings`."""

from __future__ import annotations

from typing import NamedTuple

from pipeline.extraction.sensor_values import FullScales, clipped
from pipeline.extraction.signals import Signals
from shared.settings.processing import ProcessingSettings


class Saturated(NamedTuple):
    """Samples at which any channel is at the end of its range, the time they stand for, and which.

    All of the recording counts, as recorded; whether a value is touched is told by its own flag.
    """

    samples: int = 0
    duration_s: float = 0.0
    channels: tuple[str, ...] = ()


NOTHING = Saturated()


def saturated(signals: Signals, scales: FullScales, settings: ProcessingSettings) -> Saturated:
    """Return the saturation of a recording as it was read."""
    names = list(signals.channels)
    found = clipped(signals, names, scales, settings)
    if found is None or not found.samples:
        return NOTHING
    return Saturated(found.samples, found.duration_s, tuple(names[axis] for axis in found.axes))
