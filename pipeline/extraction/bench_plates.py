"""Force plates under known masses, and the two plates of a pair against each other."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from pipeline.calibration.body_weight import quiet_stance
from pipeline.calibration.plate_loads import check_known_loads, gain_mismatch
from pipeline.extraction.bench_recording import Bench, Result, unreadable
from pipeline.extraction.signals import Signals
from shared.channels import SIDES
from shared.settings.processing import ProcessingSettings


def _load(item: Bench, signals: Signals, settings: ProcessingSettings) -> float | str:
    """Return the mean force under a known mass, or why there is none."""
    channel = f"vertical_force.{item.position}"
    if not signals.has(channel):
        return f"the recording holds no {channel}"
    force = signals.channels[channel]
    weight = item.known_value * settings.standard_gravity
    window = quiet_stance(
        force,
        signals.rate_hz,
        window_s=settings.calibration.unit_pose_window_s,
        smallest_load_n=0.5 * weight if weight else -math.inf,
    )
    if window is None:
        return f"the plate never carries {item.known_value:g} kg"
    return float(force[window.samples].mean())


def plate_load(recordings: Sequence[Bench], settings: ProcessingSettings) -> list[Result]:
    """Check plates against known masses, and the two plates of a pair against each other."""
    limits = settings.calibration
    readings: dict[str, list[tuple[float, float]]] = defaultdict(list)
    faults: dict[str, list[str]] = defaultdict(list)
    for item in recordings:
        if item.signals is None:
            faults[item.position] += unreadable([item])
            continue
        found = _load(item, item.signals, settings)
        if isinstance(found, str):
            faults[item.position].append(found)
        else:
            readings[item.position].append((found, item.known_value * settings.standard_gravity))
    results, gains = [], {}
    for position in sorted({item.position for item in recordings}):
        pairs = np.array(readings[position]).reshape(-1, 2)
        try:
            check = check_known_loads(
                pairs[:, 0], pairs[:, 1], largest_gain_error=limits.plate_gain_error
            )
        except ValueError as error:
            reason = "; ".join([str(error), *faults[position]])
            results.append(Result(f"plate.{position}", reason=reason))
            continue
        gains[position] = check.gain
        values = {
            "gain": (check.gain, "1"),
            "zero": (check.zero_n, "N"),
            "residual": (check.residual_n, "N"),
        }
        results.append(Result(f"plate.{position}", values, check.reason))
    if set(SIDES) <= set(gains):
        mismatch = gain_mismatch(gains["left"], gains["right"])
        reason = ""
        if abs(mismatch) > limits.plate_gain_mismatch:
            reason = (
                f"the left plate reads {mismatch:+.2%} against the right one, limit "
                f"{limits.plate_gain_mismatch:.2%}"
            )
        results.append(Result("plate", {"gain_mismatch": (mismatch, "1")}, reason))
    return results
