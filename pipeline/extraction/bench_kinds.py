"""Bench calibrations kind by kind: from prepared recordings of a unit to its numbers."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.calibration.accelerometer import DIRECTIONS as UP
from pipeline.calibration.accelerometer import (
    POSITIONS,
    AccelerometerFit,
    bias_from_pairs,
    from_known_orientations,
    from_six_positions,
    from_unknown_orientations,
    spread_of_poses,
)
from pipeline.calibration.body_weight import quiet_stance
from pipeline.calibration.gyroscope import scale_from_rotation
from pipeline.calibration.plate_loads import check_known_loads, gain_mismatch
from pipeline.calibration.static_pose import position_of, static_pose
from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import WAIST
from shared.channels import AXES, SIDES
from shared.settings.processing import ProcessingSettings

REFERENCE = tuple(f"reference_acceleration.{axis}" for axis in AXES)
ACCELEROMETERS = {"waist": WAIST, "reference": REFERENCE}
"""Place of an accelerometer -> its channels."""

SEGMENTS = tuple(f"{segment}.{side}" for side in SIDES for segment in ("thigh", "shank"))

LEAST_TURNED_SHARE = 0.1
"""A gyroscope that turned less than this share of the known angle lay beside the turn: no source.
It has no result then; one that turned by another wrong angle is refused."""


@dataclass(frozen=True, slots=True)
class Bench:
    """A recording of a unit on the bench.

    Parameters
    ----------
    position, known_value : as in the study table unit_calibrations
    signals : the recording; None when it cannot be used
    trouble : why it cannot be used
    """

    position: str
    known_value: float
    signals: Signals | None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Result:
    """Numbers of one place of a unit; `values` are (number, unit) by quantity."""

    location: str
    values: dict[str, tuple[float, str]] = field(default_factory=dict)
    reason: str = ""


def _usable(recordings: Sequence[Bench]) -> list[tuple[Bench, Signals]]:
    return [(item, item.signals) for item in recordings if item.signals is not None]


def _unreadable(recordings: Sequence[Bench]) -> list[str]:
    return [
        f"a recording{f' ({item.position})' if item.position else ''} cannot be used: "
        f"{item.trouble}"
        for item in recordings
        if item.signals is None
    ]


def _numbers(fit: AccelerometerFit) -> dict[str, tuple[float, str]]:
    found = fit.accelerometer
    numbers = {
        f"scale_{row}{column}": (float(found.scale[i, j]), "1")
        for i, row in enumerate(AXES)
        for j, column in enumerate(AXES)
    }
    numbers |= {f"bias_{axis}": (float(found.bias[i]), "m/s2") for i, axis in enumerate(AXES)}
    return numbers | {"residual": (fit.residual_mg, "mg")}


def _poses(
    recordings: Sequence[Bench], channels: tuple[str, ...], settings: ProcessingSettings
) -> tuple[dict[str, np.ndarray], list[str]]:
    """Return the mean of each pose, by its position, and what is wrong with them."""
    limits = settings.calibration
    means: dict[str, np.ndarray] = {}
    faults = []
    for item, signals in _usable(recordings):
        name = item.position
        try:
            pose = static_pose(
                signals.stack(list(channels)),
                signals.rate_hz,
                window_s=limits.unit_pose_window_s,
                largest_spread=limits.unit_pose_spread_g * settings.standard_gravity,
            )
        except ValueError as error:
            faults.append(f"{name}: {error}")
            continue
        means[name] = pose.mean
        if pose.reason:
            faults.append(f"{name}: {pose.reason} m/s²")
        elif name in POSITIONS and position_of(pose.mean) != name:
            faults.append(f"{name}: the recording shows {position_of(pose.mean)}")
    return means, faults


def _within_residual(
    location: str, fit: AccelerometerFit, settings: ProcessingSettings, **more: tuple[float, str]
) -> Result:
    limit = settings.calibration.unit_residual_mg
    reason = ""
    if fit.residual_mg > limit:
        reason = f"the residual is {fit.residual_mg:.1f} mg, limit {limit:g} mg"
    return Result(location, _numbers(fit) | more, reason)


def _places(recordings: Sequence[Bench]) -> list[tuple[str, tuple[str, ...]]]:
    """Return the accelerometers that every usable recording holds."""
    usable = [signals for _, signals in _usable(recordings)]
    found = [
        (place, channels)
        for place, channels in ACCELEROMETERS.items()
        if usable and all(signals.has(*channels) for signals in usable)
    ]
    return found or [("waist", WAIST)]


def six_orientations(recordings: Sequence[Bench], settings: ProcessingSettings) -> list[Result]:
    """Calibrate the accelerometers of a unit from its six positions."""
    results = []
    for location, channels in _places(recordings):
        means, faults = _poses(recordings, channels, settings)
        faults = [*_unreadable(recordings), *faults]
        if not faults and set(means) != set(POSITIONS):
            faults = [f"{len(means)} of the six orientations are there"]
        if faults:
            results.append(Result(location, reason="; ".join(faults)))
            continue
        readings = np.array([means[position] for position in POSITIONS])
        try:
            fit = from_six_positions(readings, settings.standard_gravity)
        except ValueError as error:
            results.append(Result(location, reason=str(error)))
            continue
        plain = from_known_orientations(readings, UP, settings.standard_gravity)
        tilted = np.abs(plain.accelerometer.bias - bias_from_pairs(readings)).max()
        misplaced = 1000.0 * float(tilted) / settings.standard_gravity
        results.append(_within_residual(location, fit, settings, misplacement=(misplaced, "mg")))
    return results


def static_poses(recordings: Sequence[Bench], settings: ProcessingSettings) -> list[Result]:
    """Calibrate the accelerometers of a unit from poses by hand; bad recordings are left out."""
    limits = settings.calibration
    results = []
    for location, channels in _places(recordings):
        usable, left_out = [], _unreadable(recordings)
        for number, item in enumerate(recordings, start=1):
            named = replace(item, position=f"pose {number}")
            means, faults = _poses([named], channels, settings)
            usable += [] if faults else list(means.values())
            left_out += faults
        readings = np.array(usable).reshape(-1, 3)
        if len(readings) < limits.unit_fewest_poses:
            words = [
                f"{len(readings)} usable poses, at least {limits.unit_fewest_poses} are needed"
            ]
            results.append(Result(location, reason="; ".join([*words, *left_out])))
            continue
        condition = spread_of_poses(readings)
        spread = {"pose_condition": (min(condition, 1e99), "1")}
        if condition > limits.unit_pose_condition:
            reason = (
                f"the poses do not spread (condition {condition:.3g}, limit "
                f"{limits.unit_pose_condition:g}): turn each face, edge and corner up once"
            )
            results.append(Result(location, spread, reason))
            continue
        try:
            fit = from_unknown_orientations(readings, settings.standard_gravity)
        except ValueError as error:
            results.append(Result(location, spread, str(error)))
            continue
        results.append(_within_residual(location, fit, settings, **spread))
    return results


def known_rotation(recordings: Sequence[Bench], settings: ProcessingSettings) -> list[Result]:
    """Find the gain of every gyroscope that took part in turns by known angles."""
    limits = settings.calibration
    gains: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    faults: dict[str, list[str]] = defaultdict(list)
    for item, signals in _usable(recordings):
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
            if found.scale < LEAST_TURNED_SHARE:
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
    unreadable = _unreadable(recordings)
    if not results:
        reason = "; ".join(unreadable) or "no gyroscope turned by the known angle"
        return [Result("gyro", reason=reason)]
    return results


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
            faults[item.position] += _unreadable([item])
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


KINDS: dict[str, Callable[[Sequence[Bench], ProcessingSettings], list[Result]]] = {
    "six_orientations": six_orientations,
    "static_poses": static_poses,
    "known_rotation": known_rotation,
    "plate_load": plate_load,
}
"""Kind of bench calibration -> what it makes of its recordings."""
