"""Accelerometers on thigh and shank: they hold the knee angle by gravity until the landing.

The last rung of the correction of a gyroscope's drift. Presence of the channels decides: a device
profile that maps none leaves the angle as it is integrated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.segment_frame import SegmentFrame
from pipeline.calibration.stillness import Window
from pipeline.events.centre_of_mass import impact_speed_from_drop
from pipeline.extraction.signals import Signals
from pipeline.extraction.stretch import filtered_between
from pipeline.filtering.tilt import inclination, steady, tilt_correction
from pipeline.reasons import Reason
from shared.channels import AXES, SIDES
from shared.settings.processing import ProcessingSettings, TiltCorrection

Signal = NDArray[np.float64]
Mask = NDArray[np.bool_]

SEGMENTS = ("thigh", "shank")
TILT_CHANNELS = {
    side: tuple(f"{segment}_acceleration.{side}.{axis}" for segment in SEGMENTS for axis in AXES)
    for side in SIDES
}
"""Leg -> channels of its accelerometers, thigh before shank."""

TILT_FLAGS = frozenset({str(Reason.TILT_CORRECTED), str(Reason.TILT_NOT_CORRECTED)})
"""What is said of an angle whose device has accelerometers on the segments."""

_Z_AXIS = (0.0, 0.0, 1.0)
_STANDSTILL = 1e-9
"""m/s²: an accelerometer that varies less through a landing is broken, not still."""


@dataclass(frozen=True, slots=True)
class Tilt:
    """Accelerometers of one leg.

    Parameters
    ----------
    forces : specific force in m/s², shape (6, samples), as `TILT_CHANNELS`; None where one of the
        channels is missing in the recording
    axes : flexion axis of thigh and shank in the frames of their units
    box_height_m : of the trial; None without a box
    """

    forces: Signal | None
    axes: tuple[Signal, Signal]
    box_height_m: float | None

    def turned(self) -> Tilt:
        """Return the same for units that were mounted mirrored."""
        return replace(self, axes=(-self.axes[0], -self.axes[1]))


def read_tilt(
    signals: Signals, side: str, frames: Mapping[str, SegmentFrame], box_height_m: float | None
) -> Tilt | None:
    """Return the accelerometers of a leg; None where the recording has none of them.

    Parameters
    ----------
    signals
        The recording of the leg's gyroscopes: an accelerometer elsewhere has another clock.
    frames
        Flexion axis by segment (thigh.left ...); without one it is the z axis of the unit.
    """
    names = TILT_CHANNELS[side]
    if not any(name in signals.channels for name in names):
        return None
    known = (frames.get(f"{segment}.{side}") for segment in SEGMENTS)
    thigh, shank = (
        np.array(_Z_AXIS if frame is None or frame.axis is None else frame.axis) for frame in known
    )
    forces = signals.stack(list(names)) if signals.has(*names) else None
    return Tilt(forces, (thigh, shank), box_height_m)


def held_by_gravity(
    tilt: Tilt,
    angles: Signal,
    rate_hz: float,
    stance: Window,
    contact: float,
    settings: ProcessingSettings,
) -> tuple[Signal, frozenset[str]]:
    """Return what gravity adds to the knee angle, in rad, and the flag that says whether it did.

    The inclination counts from the same quiet stance as the angle: a zero from another posture
    would pull the angle to that posture's. Nothing is corrected from the beginning of the fall to
    some time after the contact, nor while a segment does not feel 1 g.

    Parameters
    ----------
    angles
        Integrated rates of thigh and shank from the first sample of the stance on, shape
        (2, samples).
    stance, contact
        In slots of the recording.
    """
    chosen = settings.filtering.tilt_correction
    if chosen is None:
        return np.zeros(angles.shape[1]), frozenset()
    nothing = np.zeros(angles.shape[1]), frozenset({str(Reason.TILT_NOT_CORRECTED)})
    first = stance.first_sample
    if tilt.forces is None or _is_dead(tilt.forces[:, first:]):
        return nothing
    forces = filtered_between(
        tilt.forces,
        rate_hz,
        first,
        first + angles.shape[1] - 1,
        cutoff_hz=settings.filtering.angular_rate_hz,
        order_per_pass=settings.filtering.order_per_pass,
    )[:, first : first + angles.shape[1]]
    quiet = Window(0, stance.last_sample - first)
    fall_s = _longest_fall_s(tilt.box_height_m, settings)
    places = np.arange(angles.shape[1]) - (contact - first)
    allowed = (places < -fall_s * rate_hz) | (places > chosen.off_after_contact_s * rate_hz)
    added = []
    for force, axis, angle in zip((forces[:3], forces[3:]), tilt.axes, angles, strict=True):
        part = _added(force, axis, angle, rate_hz, quiet, allowed, chosen, settings)
        if part is None:
            return nothing
        added.append(part)
    return added[0] - added[1], frozenset({str(Reason.TILT_CORRECTED)})


def _is_dead(forces: Signal) -> bool:
    """Tell whether an accelerometer reads one and the same for ever."""
    spread = np.ptp(forces, axis=1).reshape(len(SEGMENTS), len(AXES))
    return bool((spread.max(axis=1) <= _STANDSTILL).any())


def _longest_fall_s(box_height_m: float | None, settings: ProcessingSettings) -> float:
    """Return how long a fall from the box can last; 0 without a box.

    No plate sees the foot leave the box, and not every trial has a waist unit.
    """
    if box_height_m is None:
        return 0.0
    gravity = settings.standard_gravity
    free_s = impact_speed_from_drop(box_height_m, gravity=gravity) / gravity
    return free_s * settings.quality.largest_fall_time_share


def _added(
    force: Signal,
    axis: Signal,
    angle: Signal,
    rate_hz: float,
    quiet: Window,
    allowed: Mask,
    chosen: TiltCorrection,
    settings: ProcessingSettings,
) -> Signal | None:
    """Return what gravity adds to the angle of a segment; None where it never can."""
    trusted = allowed & steady(
        force,
        rate_hz,
        gravity=settings.standard_gravity,
        norm_tolerance_g=chosen.norm_tolerance_g,
        steady_for_s=chosen.steady_for_s,
    )
    if not trusted.any():
        return None
    try:
        inclined = inclination(force, axis, force[:, quiet.samples].mean(axis=1))
    except ValueError:
        return None
    return tilt_correction(
        angle, inclined, trusted, rate_hz, time_constant_s=chosen.time_constant_s
    )
