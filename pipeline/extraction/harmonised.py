"""One sampling rate per kind of sensor, so that a rate is not mistaken for a site.

A recording that holds several kinds of sensors becomes one `Signals` per rate; all share its name
and clock. Saturation and gaps are judged where they happened, on the samples as recorded.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache

from pipeline.extraction.signals import Signals
from pipeline.filtering.resampling import decimated
from shared.channels import sensor_of
from shared.sampling_rates import ratio_to

Rates = Mapping[str, float | None]
"""Kind of sensor -> common rate in samples per second; None leaves the rate as recorded."""

_AS_RECORDED = Fraction(1)


def harmonised(signals: Signals, rates: Rates) -> tuple[Signals, ...]:
    """Return the signals at the common rate of their kind of sensor.

    A recording whose rate is lower, or has no small ratio to the common one, stays as it is: a rate
    that was not declared is flagged by the reader, a declared one is refused with the settings.
    """
    ratios = {common: _ratio(common, signals.rate_hz) for common in {None, *rates.values()}}
    groups: dict[Fraction, list[str]] = {}
    for channel in signals.channels:
        groups.setdefault(ratios[rates.get(sensor_of(channel))], []).append(channel)
    if set(groups) <= {_AS_RECORDED}:
        return (signals,)
    unchanged_first = sorted(groups, key=lambda ratio: (ratio != _AS_RECORDED, ratio))
    return tuple(_at_rate(signals, ratio, groups[ratio]) for ratio in unchanged_first)


def samples_between_common(signals: Signals, rates: Rates) -> int:
    """Return after how many samples a recording has one in common with all its slower signals."""
    sensors = {sensor_of(channel) for channel in signals.channels}
    return math.lcm(*(_ratio(rates.get(x), signals.rate_hz).denominator for x in sensors))


@lru_cache(maxsize=64)
def _ratio(common_hz: float | None, rate_hz: float) -> Fraction:
    if common_hz is None:
        return _AS_RECORDED
    try:
        return min(ratio_to(common_hz, rate_hz), _AS_RECORDED)
    except ValueError:
        return _AS_RECORDED


def _at_rate(signals: Signals, ratio: Fraction, channels: list[str]) -> Signals:
    recorded = replace(signals, channels={name: signals.channels[name] for name in channels})
    if ratio == _AS_RECORDED:
        return recorded
    slower = decimated(list(recorded.channels.values()), ratio)
    return replace(
        recorded,
        rate_hz=signals.rate_hz * float(ratio),
        channels=dict(zip(channels, slower, strict=True)),
        gaps=(),
        slots=None,
        recorded=recorded,
        largest={},  # a filter may overshoot
    )
