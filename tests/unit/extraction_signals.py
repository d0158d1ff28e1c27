"""Trials of closed-form signals for the unit tests of extraction: no files, no noise needed."""

from __future__ import annotations

import numpy as np

from pipeline.extraction.rows import Athlete, ShardRows
from pipeline.extraction.signals import Signals
from pipeline.extraction.standing import Standing, calibrate
from pipeline.extraction.trials import Trial
from pipeline.extraction.visit import measure_visit
from pipeline.quality.windows import FullScale
from shared.settings.load import load_settings
from shared.settings.processing import ProcessingSettings
from shared.sources import ROOT
from tests.known_answers.signals import STOMP_PROTOCOL

RATE, CONTACT, WEIGHT, G = 1000.0, 3.0, 700.0, 9.80665
_DEMO: ProcessingSettings = load_settings(ROOT / "config").processing
PROCESSING = _DEMO.model_copy(
    update={"synchronisation": _DEMO.synchronisation.model_copy(update=STOMP_PROTOCOL)}
)
SCALES = {
    device: {
        **{f"vertical_force.{place}": np.inf for place in ("left", "right", "single")},
        **{f"waist_acceleration.{axis}": 16.0 * G for axis in "xyz"},
        **{f"reference_acceleration.{axis}": 200.0 * G for axis in "xyz"},
        **{
            f"{segment}_rate.{side}.{axis}": np.radians(2000.0)
            for segment in ("thigh", "shank")
            for side in ("left", "right")
            for axis in "xyz"
        },
    }
    for device in ("plates", "wearables")
}
SCALES = {
    device: {channel: FullScale(value) for channel, value in scales.items()}
    for device, scales in SCALES.items()
}


def half_sine(time, start, width):
    inside = (time >= start) & (time < start + width)
    return np.where(inside, np.sin(np.pi * (time - start) / width), 0.0)


def times(duration_s=6.0):
    return np.arange(round(duration_s * RATE)) / RATE


def drop_force(time, peak_bw=4.0):
    """Force of a drop landing in body weights: nothing, a half-sine, quiet stance.

    With 100 ms and this peak the impulse does not balance a fall; the events do not mind.
    """
    return np.where(time < CONTACT, 0.0, 1.0 + (peak_bw - 1.0) * half_sine(time, CONTACT, 0.1))


def drop_jump_force(time):
    """Landing 1 at 3.0 s, push-off to 3.5 s, flight to 3.95 s, landing 2, quiet stance."""
    force = drop_force(time, 3.0) + 0.8 * half_sine(time, 3.15, 0.35)
    force = np.where((time >= 3.5) & (time < 3.95), 0.0, force)
    return force + 2.5 * half_sine(time, 3.95, 0.1)


def plates(shares, force, device="plates", noise=1.0):
    """Recording of plates that carry shares (by place) of a force in body weights."""
    rng = np.random.default_rng(7)
    channels = {
        f"vertical_force.{place}": share * WEIGHT * force + rng.normal(3.0, noise, force.size)
        for place, share in shares.items()
    }
    return Signals(f"trial.{device}", device, 0.0, RATE, channels)


def knee_rates(time, sides, excursion_deg=50.0, sign=1.0):
    """Rates of thigh and shank (rad/s): a knee that flexes from contact on within 250 ms."""
    rate = np.radians(excursion_deg) * np.pi / 0.5 * half_sine(time, CONTACT, 0.25)
    channels = {}
    for side in sides:
        channels[f"thigh_rate.{side}.z"] = sign * 0.6 * rate
        channels[f"shank_rate.{side}.z"] = -sign * 0.4 * rate
    return channels


def wearables(force, sides=("left",), sign=1.0, knee_scale=50.0, peak_axis_g=None):
    """Recording of waist unit and gyroscopes; the waist sees the support, fall included."""
    time = np.arange(force.size) / RATE
    support = np.where((time < CONTACT - 0.25) & (force == 0.0), 1.0, force)
    if peak_axis_g is not None:
        support = np.minimum(support, peak_axis_g)
    channels = {
        "waist_acceleration.x": np.zeros_like(time),
        "waist_acceleration.y": support * G,
        "waist_acceleration.z": np.zeros_like(time),
        **knee_rates(time, sides, knee_scale, sign),
    }
    return Signals("trial.wearables", "wearables", 0.0, RATE, channels)


def trial(task, side, *recordings, number=1):
    return Trial("A0001", "harbour", "clearance", task, side, number, 0.3, tuple(recordings))


def standing(mass_kg=WEIGHT / G) -> Standing:
    """Calibration of plates and wearables by 3 s of perfect standing."""
    still = np.ones(3000)
    zero = np.zeros(3000)
    rates = {
        f"{segment}_rate.{side}.z": zero
        for segment in ("thigh", "shank")
        for side in ("left", "right")
    }
    on_plates = Signals(
        "standing.plates", "plates", 0.0, RATE, {"vertical_force.single": WEIGHT * still}
    )
    on_body = Signals(
        "standing.wearables",
        "wearables",
        0.0,
        RATE,
        {
            "waist_acceleration.x": zero,
            "waist_acceleration.y": G * still,
            "waist_acceleration.z": zero,
            **rates,
        },
    )
    return calibrate([on_plates, on_body], mass_kg, PROCESSING)


def measure(*trials, calibration=None):
    """Return the measured trials of a visit; without a calibration, after perfect standing."""
    return list(measure_visit(trials, calibration or standing(), SCALES, PROCESSING))


def values(measurement, metric, sensor, number=1):
    """Return the values of a metric by side."""
    return {
        value.side: value
        for value in measurement.values
        if (value.metric, value.sensor, value.number) == (metric, sensor, number)
    }


def one(measurement, metric, sensor, number=1):
    """Return the only value of a metric."""
    (value,) = values(measurement, metric, sensor, number).values()
    return value


def rows_of(measurements, injured_side="left"):
    """Return the tables of measured trials by name."""
    athlete = Athlete("A0001", injured_side, "right", WEIGHT / G)
    shard = ShardRows(PROCESSING)
    for measurement in measurements:
        shard.add_measurement(measurement, athlete, standing())
    return {name: table.to_pandas() for name, table in shard.tables().items()}
