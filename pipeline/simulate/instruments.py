"""What real instruments read: sampled, biased, noisy, clipped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.clocks import ON_TRIGGER, Clock
from pipeline.simulate.columns import (
    AXES,
    COLUMNS,
    INSTRUMENTS,
    SEGMENTS,
    Columns,
    Rates,
    Readings,
)
from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.fitting import Fitting
from pipeline.simulate.settings import Instruments
from pipeline.simulate.signals import Signals
from pipeline.simulate.units import Unit
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Samples:
    """Where the samples of a recording lie.

    Parameters
    ----------
    rate_hz : as the device declares it
    instants : in s from the movement's time zero, shape (samples,)
    places : on the dense grid, with fractions; None where every so many dense samples are taken
    """

    rate_hz: int
    instants: Array
    places: Array | None

    def of(self, dense: Array) -> Array:
        """Return the values of a signal on the dense grid; its ends stand still."""
        if self.places is None:
            return dense[..., :: DENSE_RATE_HZ // self.rate_hz]
        last = dense.shape[-1] - 1
        places = np.clip(self.places, 0.0, last)
        before = np.minimum(places.astype(np.int64), last - 1)
        share = places - before
        return (1.0 - share) * dense[..., before] + share * dense[..., before + 1]


def _samples(signals: Signals, rate: int, clock: Clock) -> _Samples:
    count = int((signals.samples - 1) * rate / DENSE_RATE_HZ + 1e-9) + 1
    instants = clock.instants(count, rate)
    if clock == Clock(-signals.before_s):
        return _Samples(rate, instants, None)
    return _Samples(rate, instants, (instants + signals.before_s) * DENSE_RATE_HZ)


def read_plate(force: Array, gain: float, errors: Instruments, rng: np.random.Generator) -> Array:
    """Return what a plate reads of a force (N)."""
    offset = rng.normal(0.0, errors.plate_offset_sd_n)
    return gain * force + offset + rng.normal(0.0, errors.plate_noise_n, len(force))


def read_waist(
    specific_force: Array, bias: Array, unit: Unit, errors: Instruments, rng: np.random.Generator
) -> Array:
    """Return what a waist unit reads (g) of a specific force (g) in its own axes, shape (3, n)."""
    reading = unit.scale @ specific_force + (unit.bias + bias)[:, None]
    reading += rng.normal(0.0, errors.accelerometer_noise_g, reading.shape)
    return np.clip(reading, -errors.accelerometer_range_g, errors.accelerometer_range_g)


def read_rates(
    rates: Array, bias: Array, gain: Array, errors: Instruments, rng: np.random.Generator
) -> Array:
    """Return what a gyroscope reads (deg/s) of rates in its own axes, shape (3, n)."""
    reading = gain[:, None] * rates + bias
    reading += rng.normal(0.0, errors.rate_noise_deg_s, reading.shape)
    return np.clip(reading, -errors.rate_range_deg_s, errors.rate_range_deg_s)


def _reference(
    waist: Array, fitting: Fitting, errors: Instruments, rng: np.random.Generator
) -> Array:
    reading = fitting.reference_tilt @ waist / STANDARD_GRAVITY
    reading += fitting.reference_bias[:, None]
    reading += rng.normal(0.0, errors.reference_noise_g, reading.shape)
    return np.clip(reading, -errors.reference_range_g, errors.reference_range_g)


def _segment_rates(
    signals: Signals,
    side: str,
    segment: str,
    t: Array,
    fitting: Fitting,
    unit: Unit,
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
    moving = bias[:, None] + drift[:, None] * t
    return read_rates(rates, moving, unit.rate_gain[segment, side], errors, rng)


def _legs(
    signals: Signals,
    t: Array,
    fitting: Fitting,
    unit: Unit,
    errors: Instruments,
    rng: np.random.Generator,
) -> Rates:
    """Return the rates in deg/s of each measured leg."""
    table: Rates = {}
    for side in signals.legs:
        for segment in SEGMENTS:
            rates = _segment_rates(signals, side, segment, t, fitting, unit, errors, rng)
            for axis, rate in zip(AXES, rates, strict=True):
                table[segment, side, axis] = rate
    return table


def record(
    device: str,
    signals: Signals,
    fitting: Fitting,
    unit: Unit,
    errors: Instruments,
    rng: np.random.Generator,
    clock: Clock = ON_TRIGGER,
) -> Columns:
    """Return what a device writes of a performance: column -> values."""
    instrument = INSTRUMENTS[device]
    samples = _samples(signals, instrument.rate_hz, clock)
    t = samples.instants
    forces = {
        place: read_plate(samples.of(signals.force[place]), unit.plate_gain[place], errors, rng)
        for place in instrument.plates
    }
    waist = reference = None
    if instrument.waist:
        tilted = np.einsum("ij,jk->ik", fitting.tilt, samples.of(signals.waist))
        bias = fitting.accelerometer_bias
        waist = read_waist(tilted / STANDARD_GRAVITY, bias, unit, errors, rng)
    if instrument.reference:
        reference = _reference(samples.of(signals.waist), fitting, errors, rng)
    rates = _legs(signals, t, fitting, unit, errors, rng) if instrument.segments else {}
    angles = {}
    if instrument.camera:
        for side, leg in signals.legs.items():
            noise = rng.normal(0.0, errors.camera_noise_deg, len(t))
            angles[side] = leg.knee.angle(t) + fitting.camera_zero[side] + noise
    stamps = np.arange(len(t)) / instrument.rate_hz
    return COLUMNS[device](Readings(stamps, forces, waist, reference, rates, angles))


def clipped_samples(device: str, columns: Columns, errors: Instruments) -> int:
    """Return how many samples of the waist unit sit at full scale."""
    scale = errors.accelerometer_range_g * (STANDARD_GRAVITY if device == "lab_c3d" else 1.0)
    waist = [values for name, values in columns.items() if "acc" in name.lower()]
    limit = np.round(scale, 3) - 1e-9
    return int(sum(np.count_nonzero(np.abs(values) >= limit) for values in waist))
