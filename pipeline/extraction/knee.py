"""Knee flexion of a leg in a trial: from the gyroscopes of thigh and shank, or from a camera."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.mirrored import landing_rotation
from pipeline.calibration.segment_frame import SegmentFrame
from pipeline.calibration.stillness import Window
from pipeline.extraction.knee_stances import quiet_stances
from pipeline.extraction.knee_tilt import Tilt, held_by_gravity, read_tilt
from pipeline.extraction.signals import Signals
from pipeline.extraction.stretch import filtered_between
from pipeline.extraction.trials import Trial
from pipeline.metrics.knee import (
    expected_drift_rad,
    knee_angle,
    knee_rate,
    linear_bias,
)
from pipeline.reasons import Reason
from shared.channels import AXES
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]

_NO_FRAME = SegmentFrame((0.0, 0.0, 0.0))


def segment_channels(side: str) -> tuple[str, str]:
    """Return the channels of the sagittal rates of thigh and shank."""
    return f"thigh_rate.{side}.z", f"shank_rate.{side}.z"


@dataclass(frozen=True, slots=True)
class Knee:
    """Rates about the flexion axis of one leg, rad/s, shape (samples,), standing bias removed.

    Parameters
    ----------
    signals : the recording
    side : left or right
    thigh, shank : rates of the segments; flexion of the hip turns the thigh the positive way
    rate : rate of knee flexion, thigh minus shank
    tilt : accelerometers of the segments; None without any
    """

    signals: Signals
    side: str
    thigh: Signal
    shank: Signal
    rate: Signal
    tilt: Tilt | None = None

    def turned(self) -> Knee:
        """Return the knee with its sign reversed, for units that were mounted mirrored."""
        tilt = None if self.tilt is None else self.tilt.turned()
        return replace(self, thigh=-self.thigh, shank=-self.shank, rate=-self.rate, tilt=tilt)


def read_knee(trial: Trial, side: str, frames: Mapping[str, SegmentFrame]) -> Knee | None:
    """Return the knee of a leg; None without gyroscopes on both segments.

    Parameters
    ----------
    frames
        Bias, gain and flexion axis by segment (thigh.left ...); a missing one has no bias.
    """
    thigh, shank = segment_channels(side)
    signals = trial.with_channels(thigh, shank)
    if signals is None:
        return None
    thigh_rate = _sagittal(signals, "thigh", side, frames)
    shank_rate = _sagittal(signals, "shank", side, frames)
    rate = knee_rate(thigh_rate, shank_rate)
    tilt = read_tilt(signals, side, frames, trial.box_height_m)
    return Knee(signals, side, thigh_rate, shank_rate, rate, tilt)


def _sagittal(
    signals: Signals, segment: str, side: str, frames: Mapping[str, SegmentFrame]
) -> Signal:
    frame = frames.get(f"{segment}.{side}", _NO_FRAME)
    x, y, z = (signals.channels.get(f"{segment}_rate.{side}.{axis}") for axis in AXES)
    if z is None:
        raise ValueError(f"the recording has no rate of the {side} {segment} about its z axis")
    return frame.sagittal_rate(x, y, z)


def rotation_after_contact(knee: Knee, contact_s: float, mirrored_window_s: float) -> float | None:
    """Return the rotation (rad) right after a contact; None where the recording does not reach."""
    try:
        return landing_rotation(
            knee.rate,
            knee.signals.rate_hz,
            knee.signals.position(contact_s),
            mirrored_window_s=mirrored_window_s,
        )
    except ValueError:
        return None


def _drifts(
    knee: Knee, stance: Window, end: Window, contact: float, settings: ProcessingSettings
) -> bool:
    """Tell whether the rate in the last stance reveals a drift of the angle beyond its limit."""
    # Only the part of the drift that falls between the stance and the landing matters.
    share = (contact - stance.first_sample) / (end.last_sample - stance.first_sample)
    drift = expected_drift_rad(knee.rate, knee.signals.rate_hz, standing=stance, end_stance=end)
    return math.degrees(abs(drift)) * share**2 > settings.quality.largest_drift_deg


@dataclass(frozen=True, slots=True)
class KneeAngle:
    """Filtered rates and angle of a knee around one landing; sample 0 is slot `offset`."""

    thigh: Signal
    shank: Signal
    rate: Signal
    angle: Signal
    offset: int
    flags: frozenset[str]
    stance: Window | None


def angle_around(knee: Knee, contact: float, last: int, settings: ProcessingSettings) -> KneeAngle:
    """Integrate the filtered rate from the quiet stance before a contact to slot `last`.

    The bias that is left is read in that stance and, where the athlete comes to rest again after
    the landing, in a second one: in between it runs straight (`filtering.gyro_bias`). Without a
    quiet stance the bias of the calibration stands, the angle counts from the first sample, and the
    flag says so.

    Accelerometers on both segments hold the angle by gravity until the fall (see `knee_tilt`).
    Without them it drifts, and is therefore integrated over a few seconds only.
    """
    rate_hz = knee.signals.rate_hz
    stance, end = quiet_stances(knee.rate, rate_hz, contact, settings)
    first = stance.first_sample if stance is not None else math.floor(contact)
    last = min(last, len(knee.rate) - 1)
    segments = np.stack([knee.thigh, knee.shank])
    smooth = filtered_between(
        segments,
        rate_hz,
        first,
        last,
        cutoff_hz=settings.filtering.angular_rate_hz,
        order_per_pass=settings.filtering.order_per_pass,
    )[:, first : last + 1]
    if stance is None:
        thigh, shank = smooth
        rate = knee_rate(thigh, shank)
        angle = knee_angle(rate, rate_hz, standing=Window(0, 0))
        lost = frozenset({str(Reason.NO_QUIET_STANCE)})
        if knee.tilt is not None and settings.filtering.tilt_correction is not None:
            lost |= {str(Reason.TILT_NOT_CORRECTED)}
        return KneeAngle(thigh, shank, rate, angle, first, lost, None)
    straight = end if settings.filtering.gyro_bias == "between_stances" else None
    thigh, shank = (
        rate - _bias(raw, stance, straight, last)
        for rate, raw in zip(smooth, segments, strict=True)
    )
    rate = knee_rate(thigh, shank)
    standing = Window(0, stance.last_sample - stance.first_sample)
    angle = knee_angle(rate, rate_hz, standing=standing)
    flags = _flags(knee, stance, end, contact, settings)
    if knee.tilt is not None:
        angles = np.stack([knee_angle(part, rate_hz, standing=standing) for part in (thigh, shank)])
        added, said = held_by_gravity(knee.tilt, angles, rate_hz, stance, contact, settings)
        angle, flags = angle + added, flags | said
    return KneeAngle(thigh, shank, rate, angle, first, flags, stance)


def _bias(raw: Signal, stance: Window, end: Window | None, last: int) -> Signal | float:
    """Return the bias of a segment's rate from the first sample of the stance to slot `last`."""
    if end is None:
        return float(raw[stance.samples].mean())
    return linear_bias(raw, stance, end)[stance.first_sample : last + 1]


def _flags(
    knee: Knee, stance: Window, end: Window | None, contact: float, settings: ProcessingSettings
) -> frozenset[str]:
    """Return what is known against an angle that counts from a quiet stance."""
    flags = set()
    if end is None:
        flags.add(str(Reason.BIAS_FROM_START))
    elif _drifts(knee, stance, end, contact, settings):
        flags.add(str(Reason.DRIFT))
    reach = contact + settings.windows.knee_flexion_s * knee.signals.rate_hz
    integrated_s = (reach - stance.last_sample) / knee.signals.rate_hz
    if integrated_s > settings.windows.longest_integration_s:
        flags.add(str(Reason.LONG_INTEGRATION))
    return frozenset(flags)
