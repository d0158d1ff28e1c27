"""Gyroscopes of a unit on the bench: turns by known angles."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from pipeline.calibration.gyroscope import scale_from_rotation
from pipeline.extraction.bench_recording import SEGMENTS, Bench, Result, unreadable, usable_of
from shared.settings.processing import ProcessingSettings


def known_rotation(recordings: Sequence[Bench], settings: ProcessingSettings) -> list[Result]:
    """Find the gain of every gyroscope that took part in turns by known angles."""
    limits = settings.calibration
    gains: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    faults: dict[str, list[str]] = defaultdict(list)
    for item, signals in usable_of(recordings):
        for segment in SEGMENTS:
            place, _, side = segment.partition(".")
            channel = f"{place}_rate.{side}.{item.position}"
            if not signals.has(channel):
                continue
            try:
                found = scale_from_rotation(
                    signals.channels[channel],
                    signals.rate_hz,
                    angle_rad=math.radians(item.known_value),
                    rest_window_s=limits.unit_rest_window_s,
                    rest_spread_deg_s=limits.unit_rest_spread_deg_s,
                    largest_scale_error=limits.unit_scale_error,
                )
            except ValueError as error:
                faults[segment].append(f"{item.position}: {error}")
                continue
            # It lay beside the turn and has no result; one that turned wrongly is refused.
            if found.scale < limits.unit_least_turned_share:
                continue
            if found.reason:
                faults[segment].append(f"{item.position}: {found.reason}")
            else:
                gains[segment][item.position].append(found.scale)
    results = []
    for segment in SEGMENTS:
        if segment not in gains and segment not in faults:
            continue
        values = {
            f"gain_{axis}": (float(np.mean(found)), "1") for axis, found in gains[segment].items()
        }
        values = dict(sorted(values.items()))
        results.append(Result(segment, values, "; ".join(faults[segment])))
    if not results:
        reason = "; ".join(unreadable(recordings)) or "no gyroscope turned by the known angle"
        return [Result("gyro", reason=reason)]
    return results
