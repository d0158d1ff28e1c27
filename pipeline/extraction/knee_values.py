"""Knee metrics of a landing, from gyroscopes or from a camera."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.extraction.knee import Knee, KneeAngle, angle_around
from pipeline.extraction.knee_tilt import TILT_FLAGS
from pipeline.extraction.signals import Signals
from pipeline.extraction.stretch import filtered_between, unfit_for
from pipeline.extraction.values import shifted
from pipeline.filtering.sampled import value_at
from pipeline.metrics.knee import knee_flexion_metrics, peak_knee_flexion_rate
from pipeline.metrics.knee_timing import (
    knee_flexion_rate_at_contact,
    mean_knee_flexion_rate,
    time_to_peak_knee_flexion,
)
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]

FROM_ZERO = ("knee_flexion_at_contact", "peak_knee_flexion", "knee_flexion_at_peak_vgrf")
"""Angles that count from the standing angle; differences and rates do not need it."""

OF_ZERO = TILT_FLAGS | {str(Reason.NO_QUIET_STANCE), str(Reason.LONG_INTEGRATION)}
"""Flags that concern the zero of the angle only: gravity, too, holds it until the fall."""

FLEXION = ("knee_flexion_at_contact", "peak_knee_flexion", "knee_flexion_excursion")
RATES = (
    "time_to_peak_knee_flexion",
    "peak_knee_flexion_rate",
    "knee_flexion_rate_at_contact",
    "mean_knee_flexion_rate_first_100_ms",
    "peak_thigh_rate",
    "peak_shank_rate",
    "knee_flexion_at_peak_vgrf",
)
MEAN_RATE_S = 0.100
_OUTSIDE = Refused(Reason.SHORT_RECORDING, "the contact lies outside of the recording")
_STANDSTILL = 1e-9
"""rad/s, rad: a signal that moves less is one number, but for rounding; a knee that lands moves."""


def _dead(signal: Signal, contact: float, reach: int, what: str) -> Refused | None:
    """Return why a sensor measured nothing in a landing; None where its signal moves.

    A broken lead reads one number (mostly zero) for ever: half of the knee's flexion would pass
    for all of it.
    """
    if np.ptp(signal[math.floor(contact) : reach + 1]) > _STANDSTILL:
        return None
    return Refused(Reason.MISSING_SAMPLES, f"{what} reads one and the same number in the landing")


def gyro_values(
    knee: Knee,
    contact: float,
    until: float | None,
    force_peak: float | Refused,
    settings: ProcessingSettings,
) -> tuple[dict[str, Outcome], dict[str, frozenset[str]]]:
    """Return the knee metrics of a landing and the flags of each.

    Parameters
    ----------
    contact, until
        Initial contact, and the take-off that ends the window (drop jump), in slots.
    force_peak
        Where a plate has seen the peak of this limb's force, in slots; or why none has.
    """
    rate_hz = knee.signals.rate_hz
    reach = math.ceil(contact + settings.windows.knee_flexion_s * rate_hz) + 1
    if not 0.0 <= contact <= len(knee.rate) - 2:
        return dict.fromkeys((*FLEXION, *RATES), _OUTSIDE), {}
    if (unfit := unfit_for(settings.filtering.angular_rate_hz, knee.signals)) is not None:
        return dict.fromkeys((*FLEXION, *RATES), unfit), {}
    for segment, raw in {"thigh": knee.thigh, "shank": knee.shank}.items():
        if dead := _dead(raw, contact, reach, f"the gyroscope of the {segment}"):
            return dict.fromkeys((*FLEXION, *RATES), dead), {}
    flexion = angle_around(knee, contact, reach, settings)
    start = contact - flexion.offset
    window_s = settings.windows.knee_flexion_s
    end = None if until is None else until - flexion.offset
    window = {"contact": start, "knee_flexion_s": window_s, "until": end}
    values = knee_flexion_metrics(flexion.angle, rate_hz, **window)
    for metric, rate in {
        "peak_knee_flexion_rate": flexion.rate,
        "peak_thigh_rate": flexion.thigh,
        "peak_shank_rate": -flexion.shank,  # the shank turns the other way in flexion
    }.items():
        values[metric] = peak_knee_flexion_rate(rate, flexion.angle, rate_hz, **window)
    last = start + window_s * rate_hz
    last = last if end is None else min(last, end)
    values["time_to_peak_knee_flexion"] = time_to_peak_knee_flexion(
        flexion.angle, rate_hz, contact=start, end=last
    )
    values["knee_flexion_rate_at_contact"] = knee_flexion_rate_at_contact(
        flexion.rate, contact=start
    )
    values["mean_knee_flexion_rate_first_100_ms"] = _mean_rate(flexion, rate_hz, start, end)
    values["knee_flexion_at_peak_vgrf"] = _at_force_peak(flexion, start, force_peak)
    values = {metric: shifted(outcome, flexion.offset) for metric, outcome in values.items()}
    others = flexion.flags - OF_ZERO
    flags = {metric: flexion.flags if metric in FROM_ZERO else others for metric in values}
    return values, flags


def _mean_rate(flexion: KneeAngle, rate_hz: float, contact: float, end: float | None) -> Outcome:
    if end is not None and end < contact + MEAN_RATE_S * rate_hz:
        return Refused(
            Reason.OUT_OF_RANGE,
            f"the contact lasts {(end - contact) / rate_hz * 1000:.0f} ms, "
            f"{MEAN_RATE_S * 1000:.0f} ms are needed",
        )
    return mean_knee_flexion_rate(flexion.rate, rate_hz, contact=contact, window_s=MEAN_RATE_S)


def _at_force_peak(flexion: KneeAngle, contact: float, force_peak: float | Refused) -> Outcome:
    """Return the angle where the force of the plate has its peak, in degrees.

    It was integrated over the samples from the contact on, so these are the ones it rests on.
    """
    if isinstance(force_peak, Refused):
        return force_peak
    position = force_peak - flexion.offset
    if not 0.0 <= position <= len(flexion.angle) - 1:
        return Refused(Reason.SHORT_RECORDING, "the peak of the force lies outside of the angle")
    value = math.degrees(value_at(flexion.angle, position))
    return Measured(value, math.floor(contact), math.ceil(position))


def camera_values(
    signals: Signals,
    side: str,
    contact: float,
    until: float | None,
    settings: ProcessingSettings,
) -> dict[str, Outcome]:
    """Return the knee metrics of a landing from the angle that a camera measured.

    The angle stays as measured, so an extension deficit that the gyroscopes cannot see remains.
    """
    raw = signals.channels[f"knee_flexion.{side}"]
    rate_hz = signals.rate_hz
    if not 0.0 <= contact <= len(raw) - 2:
        return dict.fromkeys(FLEXION, _OUTSIDE)
    if (unfit := unfit_for(settings.filtering.camera_angle_hz, signals)) is not None:
        return dict.fromkeys(FLEXION, unfit)
    reach = math.ceil(contact + settings.windows.knee_flexion_s * rate_hz) + 1
    if dead := _dead(raw, contact, reach, "the camera's knee angle"):
        return dict.fromkeys(FLEXION, dead)
    angle = filtered_between(
        raw,
        rate_hz,
        math.floor(contact),
        reach,
        cutoff_hz=settings.filtering.camera_angle_hz,
        order_per_pass=settings.filtering.order_per_pass,
    )
    return knee_flexion_metrics(
        angle,
        rate_hz,
        contact=contact,
        until=until,
        knee_flexion_s=settings.windows.knee_flexion_s,
    )
