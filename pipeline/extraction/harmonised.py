"""One sampling rate per kind of sensor, so that a rate is not mistaken for a site.

A recording that holds several kinds of sensors becomes one `Signals` per rate; all share its name
and clock. Saturation and gaps are judged where they happened, on the samples as recorded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pipeline.extraction.signals import Signals
from pipeline.filtering.resampling import decimated, ratio_to
from shared.channels import sensor_of

Rates = Mapping[str, float | None]
"""Kind of sensor -> common rate in samples per second; None leaves the rate as recorded."""


def harmonised(signals: Signals, rates: Rates) -> tuple[Signals, ...]:
    """Return the signals at the common rate of their kind of sensor.

    A recording that is slower than the common rate stays as it is: a rate that was not declared is
    flagged by the reader, a declared one is refused with the settings.
    """
    groups: dict[float | None, list[str]] = {}
    for channel in signals.channels:
        common = rates.get(sensor_of(channel))
        too_slow = common is not None and ratio_to(common, signals.rate_hz) >= 1
        groups.setdefault(None if too_slow else common, []).append(channel)
    if set(groups) <= {None}:
        return (signals,)
    return tuple(
        _at_rate(signals, common, channels)
        for common, channels in sorted(groups.items(), key=lambda item: item[0] or 0.0)
    )


def _at_rate(signals: Signals, common: float | None, channels: list[str]) -> Signals:
    recorded = replace(signals, channels={name: signals.channels[name] for name in channels})
    if common is None:
        return recorded
    ratio = ratio_to(common, signals.rate_hz)
    slower = decimated(recorded.stack(channels), ratio)
    return Signals(
        signals.recording_id,
        signals.device,
        signals.start_s,
        signals.rate_hz * float(ratio),
        dict(zip(channels, slower, strict=True)),
        flags=signals.flags,
        recorded=recorded,
    )
