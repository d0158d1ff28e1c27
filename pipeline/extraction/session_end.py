"""What a session shows beside its first stance: changes until its end, and flexion axes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from pipeline.calibration.flexion_axis import flexion_axis
from pipeline.calibration.stillness import Window
from pipeline.extraction.bench_recording import SEGMENTS
from pipeline.extraction.calibrated import FLEXION, STANDING_END, Calibrated, Places
from pipeline.extraction.signals import Signals
from pipeline.extraction.units import NO_BENCH, Unit
from pipeline.reasons import Reason
from shared.channels import AXES
from shared.settings.processing import Calibration, ProcessingSettings


def _largest_change(start: Calibrated | None, end: Calibrated) -> float | None:
    if start is None:
        return None
    changes = np.abs(np.subtract(end.offset, start.offset))
    return None if np.isnan(changes).all() else float(np.nanmax(changes))


def _changed(end: Calibrated, change: float | None, limits: Calibration) -> Calibrated:
    """Return the end of a session with its change, flagged where that is beyond its limit."""
    end = replace(end, kind=STANDING_END, change=change)
    if change is None or end.reason:
        return end
    if end.location in SEGMENTS and math.degrees(change) > limits.rate_bias_change_deg_s:
        reason = (
            f"the bias changed by {math.degrees(change):.2f} °/s during the session, limit "
            f"{limits.rate_bias_change_deg_s:g} °/s"
        )
        return replace(end, reason=reason, rule=str(Reason.BIAS_CHANGE))
    if end.location.startswith("plate.") and change > limits.zero_drift_n:
        reason = (
            f"the unloaded plate changed by {change:.1f} N during the session, limit "
            f"{limits.zero_drift_n:g} N"
        )
        return replace(end, reason=reason, rule=str(Reason.PLATE_ZERO_DRIFT))
    return end


def with_changes(ends: Places, starts: Places, settings: ProcessingSettings) -> Places:
    """Return the calibrations at the end of a session with their change since its start."""
    return {
        key: _changed(end, _largest_change(starts.get(key), end), settings.calibration)
        for key, end in ends.items()
    }


def flexion_axes(
    recordings: Iterable[Signals],
    starts: Places,
    units: Mapping[str, Unit],
    settings: ProcessingSettings,
) -> Places:
    """Find the flexion axis of every segment with three rates and a standing bias."""
    limits, axes = settings.calibration, Places()
    for signals in recordings:
        gains = units.get(signals.device, NO_BENCH).gains
        for segment in SEGMENTS:
            place, _, side = segment.partition(".")
            channels = [f"{place}_rate.{side}.{axis}" for axis in AXES]
            start = starts.get((signals.device, segment))
            if not signals.has(*channels) or start is None or np.isnan(start.offset).any():
                continue
            rates = signals.stack(channels) - np.array(start.offset)[:, None]
            rates /= np.array(gains.get(segment, (1.0, 1.0, 1.0)))[:, None]
            try:
                found = flexion_axis(
                    rates,
                    signals.rate_hz,
                    smallest_explained_share=limits.smallest_explained_share,
                    smallest_flexion_deg=limits.smallest_flexion_deg,
                )
            except ValueError as error:
                axis, share, reason = (float("nan"),) * 3, None, str(error)
            else:
                # The shank turns backwards when the knee flexes, the thigh forwards.
                sense = 1.0 if place == "thigh" else -1.0
                axis, share = tuple((sense * found.axis).tolist()), found.explained_share
                reason = found.reason
            axes[signals.device, segment] = Calibrated(
                segment,
                signals,
                axis,
                None,
                Window(0, rates.shape[1] - 1),
                reason=reason,
                kind=FLEXION,
                explained_share=share,
                rule=str(Reason.AXIS_LOW_EXPLAINED),
            )
    return axes
