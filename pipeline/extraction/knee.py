"""Knee flexion of a leg in a trial: from the gyroscopes of thigh and shank, or from a camera."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.mirrored import landing_rotation
from pipeline.calibration.segment_frame import SegmentFrame
from pipeline.calibration.stillness import Window, stillest_window
from pipeline.extraction.signals import Signals
from pipeline.extraction.stretch import filtered_between
from pipeline.extraction.trials import Trial
from pipeline.extraction.values import shifted
from pipeline.metrics.knee import (
    expected_drift_rad,
    knee_angle,
    knee_flexion_metrics,
    knee_rate,
    peak_knee_flexion_rate,
)
from pipeline.metrics.outcome import Outcome, Refused
from pipeline.reasons import Reason
from shared.channels import AXES
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]

FROM_ZERO = ("knee_flexion_at_contact", "peak_knee_flexion")
"""Angles that count from the standing angle; the excursion and the rate do not need it."""

FLEXION = (*FROM_ZERO, "knee_flexion_excursion")
LARGEST_DRIFT_RAD = math.radians(5.0)
_NO_FRAME = SegmentFrame((0.0, 0.0, 0.0))
_OUTSIDE = Refused(Reason.SHORT_RECORDING, "the contact lies outside of the recording")


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
    """

    signals: Signals
    side: str
    thigh: Signal
    shank: Signal
    rate: Signal

    def turned(self) -> Knee:
        """Return the knee with its sign reversed, for units that were mounted mirrored."""
        return replace(self, thigh=-self.thigh, shank=-self.shank, rate=-self.rate)


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
    return Knee(signals, side, thigh_rate, shank_rate, knee_rate(thigh_rate, shank_rate))


def _sagittal(
    signals: Signals, segment: str, side: str, frames: Mapping[str, SegmentFrame]
) -> Signal:
    frame = frames.get(f"{segment}.{side}", _NO_FRAME)
    x, y, z = (signals.channels.get(f"{segment}_rate.{side}.{axis}") for axis in AXES)
    if z is None:
        raise ValueError(f"the recording has no rate of the {side} {segment} about its z axis")
    return frame.sagittal_rate(x, y, z)


def rotation_after_contact(knee: Knee, contact_s: float) -> float | None:
    """Return the rotation (rad) right after a contact; None where the recording does not reach."""
    try:
        return landing_rotation(knee.rate, knee.signals.rate_hz, knee.signals.position(contact_s))
    except ValueError:
        return None


def _stance_before(knee: Knee, contact: float, settings: ProcessingSettings) -> Window | None:
    """Return the stillest window in the time before contact; None where it does not fit."""
    rate_hz = knee.signals.rate_hz
    first = max(math.ceil(contact - settings.windows.standing_before_contact_s * rate_hz), 0)
    last = math.floor(contact)
    if last - first < settings.windows.standing_window_s * rate_hz:
        return None
    window = stillest_window(
        knee.rate[None, first:last], [1.0], rate_hz, window_s=settings.windows.standing_window_s
    )
    return Window(window.first_sample + first, window.last_sample + first)


def _drifts(knee: Knee, stance: Window, contact: float, settings: ProcessingSettings) -> bool:
    """Tell whether the rate in the last stance reveals a drift of the angle beyond its limit."""
    rate_hz = knee.signals.rate_hz
    after = math.ceil(contact + rate_hz)
    window_s = settings.windows.standing_window_s
    if len(knee.rate) - after < window_s * rate_hz:
        return False
    end = stillest_window(knee.rate[None, after:], [1.0], rate_hz, window_s=window_s)
    end = Window(end.first_sample + after, end.last_sample + after)
    if not _is_quiet(knee, end, settings):
        return False
    # Only the part of the drift that falls between the stance and the landing matters.
    share = (contact - stance.first_sample) / (end.last_sample - stance.first_sample)
    drift = expected_drift_rad(knee.rate, rate_hz, standing=stance, end_stance=end)
    return abs(drift) * share**2 > LARGEST_DRIFT_RAD


def _is_quiet(knee: Knee, window: Window, settings: ProcessingSettings) -> bool:
    spread = float(knee.rate[window.samples].std())
    return math.degrees(spread) <= settings.calibration.rate_spread_deg_s


@dataclass(frozen=True, slots=True)
class KneeAngle:
    """Filtered rate and angle of a knee around one landing; sample 0 is slot `offset`."""

    rate: Signal
    angle: Signal
    offset: int
    flags: frozenset[str]
    stance: Window | None


def angle_around(knee: Knee, contact: float, last: int, settings: ProcessingSettings) -> KneeAngle:
    """Integrate the filtered rate from the quiet stance before a contact to slot `last`.

    The mean rate of that stance is taken for the remaining bias. Without a quiet stance the bias of
    the calibration stands, the angle counts from the first sample, and the flag says so.
    """
    rate_hz = knee.signals.rate_hz
    stance = _stance_before(knee, contact, settings)
    quiet = stance is not None and _is_quiet(knee, stance, settings)
    first = stance.first_sample if stance is not None and quiet else math.floor(contact)
    last = min(last, len(knee.rate) - 1)
    smooth = filtered_between(
        knee.rate,
        rate_hz,
        first,
        last,
        cutoff_hz=settings.filtering.angular_rate_hz,
        order_per_pass=settings.filtering.order_per_pass,
    )[first : last + 1]
    if stance is None or not quiet:
        start = Window(0, 0)
        angle = knee_angle(smooth, rate_hz, standing=start)
        return KneeAngle(smooth, angle, first, frozenset({str(Reason.NO_QUIET_STANCE)}), None)
    smooth = smooth - float(knee.rate[stance.samples].mean())
    standing = Window(0, stance.last_sample - stance.first_sample)
    flags = {str(Reason.DRIFT)} if _drifts(knee, stance, contact, settings) else set()
    return KneeAngle(
        smooth,
        knee_angle(smooth, rate_hz, standing=standing),
        first,
        frozenset(flags),
        stance,
    )


def gyro_values(
    knee: Knee,
    contact: float,
    until: float | None,
    settings: ProcessingSettings,
) -> tuple[dict[str, Outcome], dict[str, frozenset[str]]]:
    """Return the knee metrics of a landing and the flags of each.

    Parameters
    ----------
    contact, until
        Initial contact, and the take-off that ends the window (drop jump), in slots.
    """
    rate_hz = knee.signals.rate_hz
    reach = math.ceil(contact + settings.windows.knee_flexion_s * rate_hz) + 1
    if not 0.0 <= contact <= len(knee.rate) - 2:
        return dict.fromkeys((*FLEXION, "peak_knee_flexion_rate"), _OUTSIDE), {}
    flexion = angle_around(knee, contact, reach, settings)
    start = contact - flexion.offset
    end = None if until is None else until - flexion.offset
    window_s = settings.windows.knee_flexion_s
    values = knee_flexion_metrics(
        flexion.angle, rate_hz, contact=start, knee_flexion_s=window_s, until=end
    )
    values["peak_knee_flexion_rate"] = peak_knee_flexion_rate(
        flexion.rate, flexion.angle, rate_hz, contact=start, knee_flexion_s=window_s, until=end
    )
    values = {metric: shifted(outcome, flexion.offset) for metric, outcome in values.items()}
    flags = {metric: flexion.flags for metric in values}
    if not flexion.stance:
        flags |= {metric: frozenset() for metric in values if metric not in FROM_ZERO}
    return values, flags


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
    reach = math.ceil(contact + settings.windows.knee_flexion_s * rate_hz) + 1
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
