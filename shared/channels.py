"""Canonical channels: the names, SI units and sensors that all instruments are mapped to."""

from __future__ import annotations

SIDES = ("left", "right")
AXES = ("x", "y", "z")


def _channels() -> dict[str, tuple[str, str]]:
    table: dict[str, tuple[str, str]] = {}
    for place in (*SIDES, "single"):
        table[f"vertical_force.{place}"] = ("N", "plate")
    for axis in AXES:
        table[f"waist_acceleration.{axis}"] = ("m/s2", "waist")
        table[f"reference_acceleration.{axis}"] = ("m/s2", "reference_accelerometer")
    for side in SIDES:
        for axis in AXES:
            table[f"thigh_rate.{side}.{axis}"] = ("rad/s", "gyro")
            table[f"shank_rate.{side}.{axis}"] = ("rad/s", "gyro")
            # They only hold the angle by gyroscope: no value is theirs.
            table[f"thigh_acceleration.{side}.{axis}"] = ("m/s2", "gyro")
            table[f"shank_acceleration.{side}.{axis}"] = ("m/s2", "gyro")
        table[f"knee_flexion.{side}"] = ("rad", "camera")
    return table


CHANNELS = _channels()
"""Channel name -> (SI unit, sensor). Waist and segment axes: x anterior, y up, z to the right.

`reference_acceleration` is a second, better accelerometer at the waist, worn beside the study's
unit to show how well that one measures. `thigh_acceleration` and `shank_acceleration` belong to the
unit that carries the segment's gyroscope.
"""


def sensor_of(channel: str) -> str:
    """Return the sensor kind of a canonical channel (plate, waist, gyro ...)."""
    return CHANNELS[channel][1]
