"""What real instruments write: sampled, biased, noisy, clipped, rounded, in their own axes.

The column names and mountings here are those of the invented instruments. They are declared once
more, independently, in config/devices/*.yaml, which only the pipeline reads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.people import SIDES, Person
from pipeline.simulate.settings import Instruments, SimulationSettings
from pipeline.simulate.signals import Signals
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]
Columns = dict[str, Array]

RATES_HZ = {
    "plates_pair": 1000,
    "wearables_fast": 500,
    "lab_c3d": 500,
    "wearables_basic": 200,
    "camera_knee": 120,
}
_SEGMENTS = ("thigh", "shank")
_AXES = ("x", "y", "z")


@dataclass(frozen=True)
class Fitting:
    """How one athlete wears the units at one visit; rates in deg/s, accelerations in g."""

    accelerometer_bias: Array  # (3,)
    tilt: Array  # (3, 3) rotation from pelvis to sensor
    rate_bias: dict[tuple[str, str], Array]  # (segment, side) -> (3,)
    misalignment: dict[tuple[str, str], tuple[float, float]]  # radians, towards x and y
    camera_zero: dict[str, float]
    mirrored: tuple[str, ...]  # sides whose units are turned half around the long axis


def _rotation(pitch: float, roll: float) -> Array:
    cp, sp, cr, sr = np.cos(pitch), np.sin(pitch), np.cos(roll), np.sin(roll)
    about_z = np.array([[cp, sp, 0.0], [-sp, cp, 0.0], [0.0, 0.0, 1.0]])
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cr, sr], [0.0, -sr, cr]])
    return about_x @ about_z


def fit(settings: SimulationSettings, person: Person, rng: np.random.Generator) -> Fitting:
    """Return how the units sit and err at a visit."""
    errors = settings.instruments
    tilt = np.radians(errors.accelerometer_tilt_sd_deg)
    skew = np.radians(errors.rate_misalignment_sd_deg)
    bias = rng.normal(0.0, errors.accelerometer_bias_sd_g, 3)
    rotation = _rotation(rng.normal(0.0, tilt), rng.normal(0.0, tilt))
    places = [(segment, side) for segment in _SEGMENTS for side in SIDES]
    mirrored = person.site == settings.nuisances.mirrored_left_sensors_site
    return Fitting(
        accelerometer_bias=bias,
        tilt=rotation,
        rate_bias={
            place: rng.normal(errors.rate_bias_mean_deg_s, errors.rate_bias_sd_deg_s, 3)
            for place in places
        },
        misalignment={
            place: (float(rng.normal(0.0, skew)), float(rng.normal(0.0, skew))) for place in places
        },
        camera_zero={side: float(rng.normal(0.0, errors.camera_zero_sd_deg)) for side in SIDES},
        mirrored=("left",) if mirrored else (),
    )


def _take(dense: Array, rate: int) -> Array:
    return dense[..., :: DENSE_RATE_HZ // rate]


def _times(signals: Signals, rate: int) -> Array:
    count = int((signals.samples - 1) * rate / DENSE_RATE_HZ + 1e-9) + 1
    return np.arange(count) / rate


def _plate(
    signals: Signals, place: str, rate: int, errors: Instruments, rng: np.random.Generator
) -> Array:
    force = _take(signals.force[place], rate)
    offset = rng.normal(0.0, errors.plate_offset_sd_n)
    return force + offset + rng.normal(0.0, errors.plate_noise_n, len(force))


def _waist(
    signals: Signals, rate: int, fitting: Fitting, errors: Instruments, rng: np.random.Generator
) -> Array:
    force = np.einsum("ij,jk->ik", fitting.tilt, _take(signals.waist, rate)) / STANDARD_GRAVITY
    force += fitting.accelerometer_bias[:, None]
    force += rng.normal(0.0, errors.accelerometer_noise_g, force.shape)
    return np.clip(force, -errors.accelerometer_range_g, errors.accelerometer_range_g)


def _segment_rates(
    signals: Signals,
    side: str,
    segment: str,
    t: Array,
    fitting: Fitting,
    errors: Instruments,
    rng: np.random.Generator,
) -> Array:
    """Return the rates (3, n) in deg/s that the unit on one segment writes."""
    leg = signals.legs[side]
    sagittal = leg.thigh_rate(t) if segment == "thigh" else leg.shank_rate(t)
    if segment == "thigh" and signals.motion is not None:
        for contact in signals.motion.contact_s:
            since = np.maximum(t - contact, 0.0)
            wobble = np.exp(-since / 0.06) * np.sin(2.0 * np.pi * 11.0 * since)
            sagittal = sagittal + rng.normal(0.0, errors.thigh_wobble_sd_deg_s) * wobble
    to_x, to_y = fitting.misalignment[segment, side]
    rates = np.stack(
        [
            np.sin(to_x) * sagittal,
            np.sin(to_y) * sagittal,
            np.cos(to_x) * np.cos(to_y) * sagittal,
        ]
    )
    if side in fitting.mirrored:
        rates = rates * np.array([[-1.0], [1.0], [-1.0]])
    bias = fitting.rate_bias[segment, side] + rng.normal(0.0, errors.rate_bias_trial_sd_deg_s, 3)
    drift = rng.normal(0.0, errors.rate_drift_sd_deg_s2, 3)
    rates += bias[:, None] + drift[:, None] * t
    rates += rng.normal(0.0, errors.rate_noise_deg_s, rates.shape)
    return np.clip(rates, -errors.rate_range_deg_s, errors.rate_range_deg_s)


def _legs(
    signals: Signals, t: Array, fitting: Fitting, errors: Instruments, rng: np.random.Generator
) -> dict[tuple[str, str, str], Array]:
    """Return (segment, side, axis) -> rate in deg/s for each measured leg."""
    table = {}
    for side in signals.legs:
        for segment in _SEGMENTS:
            rates = _segment_rates(signals, side, segment, t, fitting, errors, rng)
            for axis, rate in zip(_AXES, rates, strict=True):
                table[segment, side, axis] = rate
    return table


def plates_pair(
    signals: Signals, fitting: Fitting, errors: Instruments, rng: np.random.Generator
) -> Columns:
    """Two force plates, 1000 Hz; resolution 0.1 N. `fitting` plays no part."""
    del fitting
    rate = RATES_HZ["plates_pair"]
    return {
        "time [s]": np.round(_times(signals, rate), 4),
        "FzL [N]": np.round(_plate(signals, "left", rate, errors, rng), 1),
        "FzR [N]": np.round(_plate(signals, "right", rate, errors, rng), 1),
    }


def wearables_fast(
    signals: Signals, fitting: Fitting, errors: Instruments, rng: np.random.Generator
) -> Columns:
    """Waist unit mounted x up, y left, z forward, and gyroscopes on thigh and shank; 500 Hz."""
    rate = RATES_HZ["wearables_fast"]
    t = _times(signals, rate)
    x, y, z = _waist(signals, rate, fitting, errors, rng)
    columns = {
        "time [s]": np.round(t, 4),
        "waist acc x [g]": np.round(y, 3),
        "waist acc y [g]": np.round(-z, 3),
        "waist acc z [g]": np.round(x, 3),
    }
    for (segment, side, axis), values in _legs(signals, t, fitting, errors, rng).items():
        columns[f"{segment} {side[0].upper()} gyr {axis} [deg/s]"] = np.round(values, 2)
    return columns


def lab_c3d(
    signals: Signals, fitting: Fitting, errors: Instruments, rng: np.random.Generator
) -> Columns:
    """One plate that writes the force on itself (downward negative) and wearables; 500 Hz.

    The units on the right shank sit turned half around the long axis, as the profile declares.
    """
    rate = RATES_HZ["lab_c3d"]
    t = _times(signals, rate)
    columns = {"Fz": np.round(-_plate(signals, "single", rate, errors, rng), 1)}
    waist = _waist(signals, rate, fitting, errors, rng)
    for axis, values in zip(_AXES, waist, strict=True):
        columns[f"ACC_{axis.upper()}"] = np.round(values * STANDARD_GRAVITY, 3)
    for (segment, side, axis), values in _legs(signals, t, fitting, errors, rng).items():
        turned = segment == "shank" and side == "right" and axis in "xz"
        label = f"{segment[0].upper()}{segment[1:]}{side[0].upper()}_{axis.upper()}"
        columns[label] = np.round(-values if turned else values, 2)
    return columns


def wearables_basic(
    signals: Signals, fitting: Fitting, errors: Instruments, rng: np.random.Generator
) -> Columns:
    """Waist unit and gyroscopes at 200 Hz, no plate."""
    rate = RATES_HZ["wearables_basic"]
    t = _times(signals, rate)
    columns = {"time_s": np.round(t, 4)}
    for axis, values in zip(_AXES, _waist(signals, rate, fitting, errors, rng), strict=True):
        columns[f"waist_acc_{axis}_g"] = np.round(values, 3)
    for (segment, side, axis), values in _legs(signals, t, fitting, errors, rng).items():
        columns[f"{segment}_{side}_gyr_{axis}_deg_s"] = np.round(values, 2)
    return columns


def camera_knee(
    signals: Signals, fitting: Fitting, errors: Instruments, rng: np.random.Generator
) -> Columns:
    """Knee flexion by camera, 120 Hz; time in milliseconds."""
    t = _times(signals, RATES_HZ["camera_knee"])
    columns = {"time [ms]": np.round(1000.0 * t, 2)}
    for side, leg in signals.legs.items():
        noise = rng.normal(0.0, errors.camera_noise_deg, len(t))
        columns[f"knee {side} [deg]"] = np.round(
            leg.knee.angle(t) + fitting.camera_zero[side] + noise, 2
        )
    return columns


RECORD = {
    "plates_pair": plates_pair,
    "wearables_fast": wearables_fast,
    "lab_c3d": lab_c3d,
    "wearables_basic": wearables_basic,
    "camera_knee": camera_knee,
}
"""Device -> the function that records with it."""


def clipped_samples(device: str, columns: Columns, errors: Instruments) -> int:
    """Return how many samples of the waist unit sit at full scale."""
    scale = errors.accelerometer_range_g * (STANDARD_GRAVITY if device == "lab_c3d" else 1.0)
    waist = [values for name, values in columns.items() if "acc" in name.lower()]
    limit = np.round(scale, 3) - 1e-9
    return int(sum(np.count_nonzero(np.abs(values) >= limit) for values in waist))
