"""How the invented instruments write what they read: column names, mountings, resolution.

The names and mountings are declared once more, independently, in config/devices/*.yaml, which only
the pipeline reads.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]
Columns = dict[str, Array]
Rates = dict[tuple[str, str, str], Array]
"""(segment, side, axis) -> deg/s, shape (samples,)."""

AXES = ("x", "y", "z")
SEGMENTS = ("thigh", "shank")


@dataclass(frozen=True)
class Instrument:
    """What an instrument measures, and how often; `plates` names its force plates."""

    rate_hz: int
    plates: tuple[str, ...] = ()
    waist: bool = False
    segments: bool = False
    camera: bool = False
    reference: bool = False


INSTRUMENTS = {
    "plates_pair": Instrument(1000, plates=("left", "right")),
    "wearables_fast": Instrument(500, waist=True, segments=True),
    "lab_c3d": Instrument(500, plates=("single",), waist=True, segments=True),
    "wearables_basic": Instrument(200, waist=True, segments=True),
    "camera_knee": Instrument(120, camera=True),
    "reference_unit": Instrument(1000, reference=True),
}


@dataclass(frozen=True)
class Readings:
    """Readings of one device, in the axes of the body: x anterior, y up, z right.

    Parameters
    ----------
    time_s : (samples,)
    forces : N, by plate
    waist, reference : specific force in g, shape (3, samples); None where not measured
    rates : of the segments
    angles : knee flexion in degrees, by side
    """

    time_s: Array
    forces: dict[str, Array] = field(default_factory=dict)
    waist: Array | None = None
    reference: Array | None = None
    rates: Rates = field(default_factory=dict)
    angles: dict[str, Array] = field(default_factory=dict)


def _three(values: Array | None) -> tuple[Array, Array, Array]:
    assert values is not None, "the instrument measures three axes"
    return values[0], values[1], values[2]


def _plates_pair(readings: Readings) -> Columns:
    """Two force plates; resolution 0.1 N."""
    return {
        "time [s]": np.round(readings.time_s, 4),
        "FzL [N]": np.round(readings.forces["left"], 1),
        "FzR [N]": np.round(readings.forces["right"], 1),
    }


def _wearables_fast(readings: Readings) -> Columns:
    """Waist unit mounted x up, y left, z forward, and gyroscopes on thigh and shank."""
    x, y, z = _three(readings.waist)
    columns = {
        "time [s]": np.round(readings.time_s, 4),
        "waist acc x [g]": np.round(y, 3),
        "waist acc y [g]": np.round(-z, 3),
        "waist acc z [g]": np.round(x, 3),
    }
    for (segment, side, axis), values in readings.rates.items():
        columns[f"{segment} {side[0].upper()} gyr {axis} [deg/s]"] = np.round(values, 2)
    return columns


def _lab_c3d(readings: Readings) -> Columns:
    """One plate that writes the force on itself (downward negative) and wearables.

    The units on the right shank sit turned half around the long axis, as the profile declares.
    """
    columns = {"Fz": np.round(-readings.forces["single"], 1)}
    for axis, values in zip(AXES, _three(readings.waist), strict=True):
        columns[f"ACC_{axis.upper()}"] = np.round(values * STANDARD_GRAVITY, 3)
    for (segment, side, axis), values in readings.rates.items():
        turned = segment == "shank" and side == "right" and axis in "xz"
        label = f"{segment[0].upper()}{segment[1:]}{side[0].upper()}_{axis.upper()}"
        columns[label] = np.round(-values if turned else values, 2)
    return columns


def _wearables_basic(readings: Readings) -> Columns:
    """Waist unit and gyroscopes, no plate."""
    columns = {"time_s": np.round(readings.time_s, 4)}
    for axis, values in zip(AXES, _three(readings.waist), strict=True):
        columns[f"waist_acc_{axis}_g"] = np.round(values, 3)
    for (segment, side, axis), values in readings.rates.items():
        columns[f"{segment}_{side}_gyr_{axis}_deg_s"] = np.round(values, 2)
    return columns


def _camera_knee(readings: Readings) -> Columns:
    """Knee flexion by camera; time in milliseconds."""
    columns = {"time [ms]": np.round(1000.0 * readings.time_s, 2)}
    for side, angle in readings.angles.items():
        columns[f"knee {side} [deg]"] = np.round(angle, 2)
    return columns


def _reference_unit(readings: Readings) -> Columns:
    """A better accelerometer worn beside the waist unit."""
    columns = {"time_s": np.round(readings.time_s, 4)}
    for axis, values in zip(AXES, _three(readings.reference), strict=True):
        columns[f"reference_{axis}_g"] = np.round(values, 4)
    return columns


COLUMNS: dict[str, Callable[[Readings], Columns]] = {
    "plates_pair": _plates_pair,
    "wearables_fast": _wearables_fast,
    "lab_c3d": _lab_c3d,
    "wearables_basic": _wearables_basic,
    "camera_knee": _camera_knee,
    "reference_unit": _reference_unit,
}
"""Device -> what it makes of its readings."""
