"""The kinds of signal that have a cut-off of their own, and the channels that carry them."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from shared.channels import AXES, SIDES


@dataclass(frozen=True, slots=True)
class SignalKind:
    """A kind of signal with one cut-off.

    Parameters
    ----------
    name : as tables name it
    cutoff : its setting in the section `filtering` of processing.yaml
    unit, per_si : unit in which it is shown, and how many of it make one SI unit
    """

    name: str
    cutoff: str
    unit: str
    per_si: float


KINDS = (
    SignalKind("vertical_force", "force_hz", "N", 1.0),
    SignalKind("waist_acceleration", "waist_acceleration_hz", "m/s2", 1.0),
    SignalKind("segment_rate", "angular_rate_hz", "deg/s", math.degrees(1.0)),
    SignalKind("camera_angle", "camera_angle_hz", "deg", math.degrees(1.0)),
)


def channels_of(kind: str, side: str, recorded: Collection[str]) -> list[str]:
    """Return the channels of a kind that a trial of `side` (left, right, both) loads.

    The plate and the leg that do nothing in a single-leg trial would only show their noise. Of the
    segment rates, those about the flexion axis count: no metric reads the others.
    """
    sides = SIDES if side == "both" else (side,)
    names = {
        "vertical_force": [*(f"vertical_force.{s}" for s in sides), "vertical_force.single"],
        "waist_acceleration": [f"waist_acceleration.{axis}" for axis in AXES],
        "segment_rate": [f"{part}_rate.{s}.z" for part in ("thigh", "shank") for s in sides],
        "camera_angle": [f"knee_flexion.{s}" for s in sides],
    }[kind]
    return [name for name in names if name in recorded]
