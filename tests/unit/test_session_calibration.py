"""Calibrations of a session on planted errors: what was planted is found, applied and recorded."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.accelerometer import Accelerometer
from pipeline.extraction.calibrated import FLEXION, STANDING_END
from pipeline.extraction.knee import read_knee
from pipeline.extraction.signals import Signals
from pipeline.extraction.standing import calibrate
from pipeline.extraction.units import Unit, Verdict
from pipeline.extraction.waist import read_waist
from shared.channels import SIDES
from tests.unit.extraction_signals import PROCESSING, WEIGHT, G, trial

RATE = 200.0
LIMITS = PROCESSING.calibration
TILT = math.radians(10.0)
AXIS = np.array([math.sin(TILT), 0.0, math.cos(TILT)])
START = np.radians([0.3, -0.2, 0.5])
END = np.radians([0.4, -0.1, 0.9])


def gyros(rate: np.ndarray, bias: np.ndarray, axis: np.ndarray = AXIS) -> dict[str, np.ndarray]:
    """Rates of both segments of the left leg; the knee flexes at 1.6 of `rate`."""
    channels = {}
    for segment, share in (("thigh", 1.0), ("shank", -0.6)):
        for row, name in enumerate("xyz"):
            channels[f"{segment}_rate.left.{name}"] = share * axis[row] * rate + bias[row]
    return channels


def recording(name: str, channels: dict[str, np.ndarray], device: str = "wearables") -> Signals:
    return Signals(name, device, 0.0, RATE, channels)


def quiet(name: str, bias: np.ndarray) -> Signals:
    return recording(name, gyros(np.zeros(800), bias))


def flexion(axis: np.ndarray = AXIS, second: float = 0.0) -> Signals:
    time = np.arange(2401) / RATE
    true = np.radians(30.0) * np.pi * np.sin(np.pi * time)
    channels = gyros(true, START, axis)
    across = second * np.radians(30.0) * np.pi * np.cos(np.pi * time)
    channels["thigh_rate.left.y"] = channels["thigh_rate.left.y"] + across
    return recording("flexion", channels)


def session(**changes):
    parts = {"ends": [quiet("end", END)], "flexions": [flexion()], "units": {}} | changes
    return calibrate([quiet("start", START)], WEIGHT / G, PROCESSING, **parts)


def knee_of(standing, channels, share=None):
    made = trial("single_leg_drop_landing", "left", recording("trial", channels))
    made = replace(made, session_share=share)
    segments = ("thigh.left", "shank.left")
    frames = {name: standing.frame("wearables", name, share) for name in segments}
    return read_knee(made, "left", {k: v for k, v in frames.items() if v is not None})


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0, None])
def test_axis_and_drifting_bias_are_removed_together(share):
    true = np.sin(np.arange(400) / 20.0)
    at = 0.5 if share is None else share
    channels = gyros(true, START + at * (END - START))
    knee = knee_of(session(), channels, share)
    np.testing.assert_allclose(knee.rate, 1.6 * true, atol=1e-12)
    # without flexions and end: 1 - cos(10 degrees) of the rate is lost, and the drift stays
    plain = knee_of(session(ends=[], flexions=[]), channels, share)
    drift = at * (END - START)[2]
    np.testing.assert_allclose(plain.thigh, math.cos(TILT) * true + drift, atol=1e-12)


def test_the_gain_of_the_bench_is_divided_out():
    gains = {"thigh.left": (1.01, 1.02, 1.03), "shank.left": (1.0, 1.0, 0.97)}
    true = np.sin(np.arange(400) / 20.0)

    def as_read(signals: Signals) -> Signals:
        channels = dict(signals.channels)
        for segment, gain in gains.items():
            place, _, side = segment.partition(".")
            for row, axis in enumerate("xyz"):
                name = f"{place}_rate.{side}.{axis}"
                channels[name] = gain[row] * (channels[name] - START[row]) + START[row]
        return replace(signals, channels=channels)

    standing = session(
        ends=[], flexions=[as_read(flexion())], units={"wearables": Unit(gains=gains)}
    )
    read = as_read(recording("trial", gyros(true, START)))
    knee = knee_of(standing, read.channels)
    np.testing.assert_allclose(knee.rate, 1.6 * true, atol=1e-12)


def test_axes_ends_and_sources_are_recorded():
    standing = session()
    axis = standing.axes["wearables", "shank.left"]
    np.testing.assert_allclose(axis.offset, AXIS, atol=1e-12)
    assert axis.kind == FLEXION
    assert axis.explained_share == pytest.approx(1.0)
    end = standing.ends["wearables", "thigh.left"]
    assert (end.kind, end.zero_source) == (STANDING_END, "standing")
    assert end.change == pytest.approx(math.radians(0.4))
    assert standing.gyro_flags("wearables", "left") == frozenset()
    assert len(standing.rate_channels("wearables", "left")) == 6
    assert standing.rate_channels("wearables", "right") == [
        "thigh_rate.right.z",
        "shank_rate.right.z",
    ]
    names = [source.recording_id for source in standing.further_sources("wearables", "left")]
    assert names == ["end", "flexion"]


def test_a_large_change_of_the_bias_is_flagged_and_still_removed():
    far = START + np.radians([0.0, 0.0, 1.5])
    standing = session(ends=[quiet("end", far)])
    assert standing.gyro_flags("wearables", "left") == {"gyro_bias_change"}
    assert "the bias changed by 1.50 °/s" in standing.ends["wearables", "thigh.left"].reason
    knee = knee_of(standing, gyros(np.zeros(400), far), 1.0)
    np.testing.assert_allclose(knee.rate, 0.0, atol=1e-12)


def test_an_end_that_was_not_quiet_is_not_used():
    restless = recording("end", gyros(np.sin(np.arange(800) / 5.0), END))
    standing = session(ends=[restless])
    assert "angular rate varies" in standing.ends["wearables", "thigh.left"].reason
    knee = knee_of(standing, gyros(np.zeros(400), START), 1.0)
    np.testing.assert_allclose(knee.rate, 0.0, atol=1e-12)
    assert standing.gyro_flags("wearables", "left") == frozenset()


def test_flexions_about_two_axes_leave_the_z_axis_and_a_flag():
    standing = session(flexions=[flexion(second=0.6)])
    axis = standing.axes["wearables", "thigh.left"]
    # mean squares 1 along the axis and 0.36 across: both are at right angles
    assert axis.explained_share == pytest.approx(1.0 / 1.36, abs=0.002)
    assert standing.gyro_flags("wearables", "left") == {"axis_low_explained"}
    true = np.sin(np.arange(400) / 20.0)
    knee = knee_of(standing, gyros(true, START), 0.0)
    np.testing.assert_allclose(knee.thigh, math.cos(TILT) * true, atol=1e-12)
    np.testing.assert_allclose(knee.shank, -0.6 * true, atol=1e-12)


def test_a_mirrored_unit_is_turned_by_its_flexions_and_told():
    standing = session(flexions=[flexion(axis=-AXIS)])
    true = np.sin(np.arange(400) / 20.0)
    knee = knee_of(standing, gyros(true, START, -AXIS), 0.0)
    np.testing.assert_allclose(knee.rate, 1.6 * true, atol=1e-12)
    assert standing.mirrored("wearables", "left")
    assert not session().mirrored("wearables", "left")


def plates(name: str, left_zero: float, right_zero: float, left_share: float = 0.5) -> Signals:
    loaded = np.where(np.arange(1000) < 400, 0.0, 1.0) * WEIGHT
    channels = {
        "vertical_force.left": left_share * loaded + left_zero,
        "vertical_force.right": (1.0 - left_share) * loaded + right_zero,
    }
    return recording(name, channels, "plates")


def test_zeros_and_shares_of_two_plates():
    standing = calibrate(
        [plates("start", 2.0, -1.0, 0.46)],
        WEIGHT / G,
        PROCESSING,
        ends=[plates("end", 9.0, 1.0)],
    )
    left, right = (standing.places["plates", f"plate.{side}"] for side in SIDES)
    assert standing.body_weight_n == pytest.approx(WEIGHT)
    assert (left.offset[0], right.offset[0]) == (pytest.approx(2.0), pytest.approx(-1.0))
    assert (left.stance_share, right.stance_share) == (pytest.approx(0.46), pytest.approx(0.54))
    end = standing.ends["plates", "plate.left"]
    assert "changed by 7.0 N during the session, limit 5 N" in end.reason
    assert standing.ends["plates", "plate.right"].change == pytest.approx(2.0)
    assert standing.ends["plates", "plate.right"].reason == ""
    assert standing.plate_flags("plates") == {"plate_zero_drift"}
    assert standing.plate_flags("others") == frozenset()


def test_a_camera_keeps_the_extension_deficit():
    angle = recording("start", {"knee_flexion.left": np.full(800, math.radians(7.0))}, "camera")
    found = calibrate([angle], WEIGHT / G, PROCESSING).places["camera", "knee.left"]
    assert math.degrees(found.offset[0]) == pytest.approx(7.0)
    assert found.zero_source == "measured"


SCALE = np.array([[1.04, 0.01, -0.02], [0.0, 0.96, 0.015], [0.01, -0.01, 1.02]])
BIAS = np.array([0.4, -0.3, 0.2])


def worn(force: np.ndarray) -> dict[str, np.ndarray]:
    readings = SCALE @ force + BIAS[:, None]
    return {f"waist_acceleration.{axis}": readings[row] for row, axis in enumerate("xyz")}


def test_the_bench_calibration_of_the_waist_unit_is_applied():
    still = np.array([[0.0], [G], [0.0]]) * np.ones(800)
    bench = Unit(
        accelerometers={"waist": Accelerometer(SCALE, BIAS)},
        names={"waist": "set-1.wearables.six_orientations"},
        verdicts={"waist": Verdict("applied")},
    )
    start = recording("start", worn(still))
    standing = calibrate([start], WEIGHT / G, PROCESSING, units={"wearables": bench})
    found = standing.places["wearables", "waist"]
    np.testing.assert_allclose(found.offset, [0.0, G, 0.0], atol=1e-12)
    assert (found.bench.word, found.reason) == ("applied", "")
    assert [s.recording_id for s in standing.bench_sources("wearables", "waist")] == [
        "set-1.wearables.six_orientations"
    ]
    without = calibrate([start], WEIGHT / G, PROCESSING).places["wearables", "waist"]
    assert without.bench.word == "none"
    assert "limit 1 g ± 0.05 g" in without.reason

    force = G * np.random.default_rng(7).normal(1.0, 2.0, (3, 500))
    made = trial("single_leg_drop_landing", "left", recording("trial", worn(force)))
    made = replace(made, accelerometers=standing.accelerometers)
    np.testing.assert_allclose(read_waist(made, G).axes, force, atol=1e-10)
