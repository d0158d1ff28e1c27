"""Accelerometers of a unit on the bench: six positions, or poses by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

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
from pipeline.calibration.static_pose import position_of, static_pose
from pipeline.extraction.bench_recording import (
    ACCELEROMETERS,
    Bench,
    Result,
    unreadable,
    usable_of,
)
from pipeline.extraction.trials import WAIST
from shared.channels import AXES
from shared.settings.processing import ProcessingSettings


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
    for item, signals in usable_of(recordings):
        name = item.position
        if not signals.has(*channels):
            faults.append(f"{name}: an axis has no reading in the whole recording")
            continue
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
    """Return the accelerometers of the unit: those that any usable recording holds."""
    usable = [signals for _, signals in usable_of(recordings)]
    found = [
        (place, channels)
        for place, channels in ACCELEROMETERS.items()
        if any(signals.has(*channels) for signals in usable)
    ]
    return found or [("waist", WAIST)]


def six_orientations(recordings: Sequence[Bench], settings: ProcessingSettings) -> list[Result]:
    """Calibrate the accelerometers of a unit from its six positions."""
    results = []
    for location, channels in _places(recordings):
        means, faults = _poses(recordings, channels, settings)
        faults = [*unreadable(recordings), *faults]
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
        usable, left_out = [], unreadable(recordings)
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
