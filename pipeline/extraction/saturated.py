"""Which samples of a recording are saturated, how many in all, and on which channels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from pipeline.calibration.saturation import Clipping
from pipeline.extraction.signals import Signals
from pipeline.quality.windows import FullScale, may_clip, saturation
from shared.settings.processing import ProcessingSettings

FullScales = Mapping[str, Mapping[str, FullScale]]
"""Device -> channel -> full scale in SI units; infinite where clipping is not looked for."""


def clipped(
    signals: Signals, channels: list[str], scales: FullScales, settings: ProcessingSettings
) -> Clipping | None:
    """Return the saturated samples of some channels of a recording; None without any."""
    recorded, full_scales = signals.as_recorded, scales[signals.device]
    ranges = [full_scales[channel] for channel in channels]
    if not may_clip(map(recorded.largest_magnitude, channels), ranges, settings.quality):
        return None
    found = saturation(
        [recorded.channels[channel] for channel in channels],
        ranges,
        recorded.rate_hz,
        settings.quality,
    )
    return found if found is None else found.at_rate(signals.rate_hz)


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
