"""The complementary filter of a segment's inclination, against a plain loop of its formula.

DOMAIN 3.7, rung 4: alpha = tau / (tau + dt), the accelerometer has the weight 1 - alpha, and only
while the specific force is within 0.05 g of 1 g.
"""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.calibration.segment_frame import SegmentFrame
from pipeline.calibration.stillness import Window
from pipeline.extraction.knee import Knee, angle_around
from pipeline.extraction.knee_tilt import TILT_CHANNELS, read_tilt
from pipeline.extraction.signals import Signals
from pipeline.filtering.tilt import inclination, steady, tilt_correction
from pipeline.metrics.knee import knee_angle
from shared.settings.load import load_settings
from shared.settings.processing import ProcessingSettings
from shared.sources import ROOT
from tests.known_answers.closed_movement import DROP_M
from tests.known_answers.closed_study import SEGMENTS
from tests.known_answers.signals import G
from tests.known_answers.tilt_movement import (
    ARM_M,
    PERIODS,
    STILL_UNTIL_S,
    SWAY_UNTIL_S,
    Swaying,
    bulge,
    segment_force,
)

PROCESSING = load_settings(ROOT / "config").processing
STILL = Swaying("single_leg_drop_landing", sway_deg=0.0)
SWAYING = Swaying("single_leg_drop_landing")
Z_AXIS = np.array([0.0, 0.0, 1.0])


def by_formula(rate, inclined, trusted, rate_hz, tau):
    """Sample after sample, as the formula reads; trapezoidal turn of the gyroscope."""
    alpha = tau / (tau + 1.0 / rate_hz)
    angle = [0.0]
    for sample in range(1, len(rate)):
        turned = angle[-1] + 0.5 * (rate[sample - 1] + rate[sample]) / rate_hz
        if trusted[sample]:
            turned = alpha * turned + (1.0 - alpha) * inclined[sample]
        angle.append(turned)
    return np.array(angle)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0, 1000.0])
def test_the_filter_is_the_formula_sample_by_sample(rate_hz):
    rng = np.random.default_rng(3)
    rate, inclined = rng.normal(0.0, 1.0, (2, round(3 * rate_hz)))
    trusted = np.repeat(rng.random(30) < 0.5, round(0.1 * rate_hz))
    trusted[0] = False  # the loop starts from the angle 0
    angle = knee_angle(rate, rate_hz, standing=Window(0, 0))
    added = tilt_correction(angle, inclined, trusted, rate_hz, time_constant_s=1.0)
    expected = by_formula(rate, inclined, trusted, rate_hz, 1.0)
    np.testing.assert_allclose(angle + added, expected, rtol=0.0, atol=1e-12)
    assert np.abs(added).max() > 0.01


def test_without_a_trusted_sample_nothing_is_added():
    angle = np.linspace(0.0, 1.0, 50)
    nothing = tilt_correction(angle, angle + 1.0, angle > 2.0, 100.0, time_constant_s=1.0)
    np.testing.assert_array_equal(nothing, np.zeros(50))


@pytest.mark.parametrize("tau", [0.5, 1.0, 2.0])
def test_a_bias_that_is_left_shows_as_tau_times_the_bias(tau):
    """Closed form of the settled filter in continuous time: e' = bias - e / tau = 0."""
    rate_hz = 1000.0
    angle = 0.5 * np.arange(round(12 * tau * rate_hz)) / rate_hz
    every = np.ones(angle.size, dtype=bool)
    added = tilt_correction(angle, np.zeros_like(angle), every, rate_hz, time_constant_s=tau)
    assert angle[-1] + added[-1] == pytest.approx(0.5 * tau, abs=1e-4)


def test_inclination_of_a_unit_in_any_pose():
    """Closed form: who turns by an angle about an axis sees gravity turn back by it."""
    rng = np.random.default_rng(4)
    turns = np.linspace(-2.5, 2.5, 101)
    for pose in Rotation.random(20, random_state=7):
        axis, up = pose.apply(Z_AXIS), pose.apply([0.0, G, rng.uniform(-3.0, 3.0)])
        felt = Rotation.from_rotvec(-turns[:, None] * axis).apply(up).T
        np.testing.assert_allclose(inclination(felt, axis, up), turns, atol=1e-12)
        np.testing.assert_allclose(inclination(felt, -axis, up), -turns, atol=1e-12)


def test_an_axis_that_points_down_shows_no_turn():
    with pytest.raises(ValueError, match="gravity lies along the axis"):
        inclination(np.ones((3, 5)), Z_AXIS, [0.0, 0.0, 9.81])


def test_a_moment_of_one_g_is_not_trusted():
    """Norm by definition; it must have held for 0.2 s, which at 100 per second are 20 samples."""
    norm = np.full(200, 1.04)
    norm[50:90] = 0.3
    norm[60:65] = 1.0  # passes through 1 g
    norm[150] = 1.06
    force = np.stack([np.zeros(200), 0.6 * norm * G, -0.8 * norm * G])
    found = steady(force, 100.0, gravity=G, norm_tolerance_g=0.05, steady_for_s=0.2)
    expected = np.zeros(200, dtype=bool)
    expected[20:50] = expected[110:150] = expected[171:] = True
    np.testing.assert_array_equal(found, expected)


def knee_of(movement, rate_hz, bias_deg_s=0.0, *, accelerometers=True, pose=None, frame=None):
    """The left knee of a movement; `pose` turns the units of both segments on their segments."""
    time = np.arange(round(movement.duration_s * rate_hz)) / rate_hz
    knee_rate = movement.knee_rate("left", time)
    thigh = np.radians(SEGMENTS["thigh"] * knee_rate + bulge(time, bias_deg_s))
    shank = np.radians(SEGMENTS["shank"] * knee_rate - bulge(time, bias_deg_s))
    channels = {"thigh_rate.left.z": thigh, "shank_rate.left.z": shank}
    forces = [G * segment_force(movement, segment, "left", time) for segment in SEGMENTS]
    if pose is not None:
        forces = [pose.apply(force.T).T for force in forces]
    if accelerometers:
        channels |= dict(zip(TILT_CHANNELS["left"], np.concatenate(forces), strict=True))
    signals = Signals("trial", "wearables", 0.0, rate_hz, channels)
    frames = {} if frame is None else {f"{segment}.left": frame for segment in SEGMENTS}
    tilt = read_tilt(signals, "left", frames, DROP_M)
    return Knee(signals, "left", thigh, shank, thigh - shank, tilt)


def errors_of(knee, movement, settings=PROCESSING):
    """Errors of the angle in degrees from its first sample to 0.4 s after contact; the rest."""
    rate_hz, contact = knee.signals.rate_hz, movement.contacts[0].time_s
    last = math.ceil((contact + 0.4) * rate_hz)
    found = angle_around(knee, contact * rate_hz, last, settings)
    time = (found.offset + np.arange(len(found.angle))) / rate_hz
    return time, np.degrees(found.angle) - movement.knee("left", time), found


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0, 1000.0])
def test_without_drift_and_noise_gravity_changes_next_to_nothing(rate_hz):
    """Quiet standing, a fall with 0 g at the joint, an impact of 5 g, a knee that bends."""
    _, with_it, found = errors_of(knee_of(STILL, rate_hz), STILL)
    _, without, plain = errors_of(knee_of(STILL, rate_hz, accelerometers=False), STILL)
    assert found.flags == plain.flags | {"tilt_corrected"}
    assert np.abs(with_it - without).max() <= 0.1


@pytest.mark.parametrize("rate_hz", [100.0, 1000.0])
def test_a_swing_before_the_landing_disturbs_as_its_closed_form_says(rate_hz):
    """The unit feels the swing itself, r a / g for the growth a of its turn (small angles).

    Of D cos(w t) that begins at t = 0, a filter of 1 s in continuous time lets through
    D (cos(w t) + w sin(w t) - exp(-t)) / (1 + w²): here 0.74 degrees of a swing of 20.
    """
    time, error, _ = errors_of(knee_of(SWAYING, rate_hz), SWAYING)
    _, plain, _ = errors_of(knee_of(SWAYING, rate_hz, accelerometers=False), SWAYING)
    speed = 2.0 * np.pi * PERIODS / (SWAY_UNTIL_S - STILL_UNTIL_S)
    size = 0.5 * SWAYING.sway_deg * speed**2 * ARM_M / G
    swings = (time > STILL_UNTIL_S) & (time < SWAY_UNTIL_S - 0.1)  # 20 Hz round the end
    past = time[swings] - STILL_UNTIL_S
    passed = np.cos(speed * past) + speed * np.sin(speed * past) - np.exp(-past)
    expected = size * passed / (1.0 + speed**2)
    np.testing.assert_allclose((error - plain)[swings], expected, atol=0.05)
    assert 0.7 < np.abs(expected).max() < 0.8


def naive_error(time, rate_hz, force_of, gate):
    """Error in degrees of the plain formula behind another gate; perfect rates and start."""
    naive = np.zeros_like(time)
    for segment, part in SEGMENTS.items():
        rate = np.radians(part * STILL.knee_rate("left", time))
        force = force_of(segment)
        inclined = inclination(force, Z_AXIS, [0.0, 1.0, 0.0])
        angle = by_formula(rate, inclined, gate(np.linalg.norm(force, axis=0)), rate_hz, 1.0)
        naive += np.sign(part) * np.degrees(angle)
    return naive - STILL.knee("left", time)


def test_a_filter_that_is_always_on_is_wrong_by_degrees_in_flight_and_impact():
    """The same formula, trusted everywhere: 15 degrees off in the fall, 16 in the landing."""
    rate_hz, contact = 500.0, STILL.contacts[0].time_s
    time, ours, _ = errors_of(knee_of(STILL, rate_hz), STILL)
    wrong = naive_error(
        time,
        rate_hz,
        lambda segment: segment_force(STILL, segment, "left", time),
        lambda norm: norm >= 0.0,
    )
    flight, landing = (time > contact - 0.25) & (time < contact), time >= contact
    assert np.abs(wrong[flight]).max() > 10.0
    assert np.abs(wrong[landing]).max() > 10.0
    assert np.abs(ours[flight]).max() < 0.1
    assert np.abs(ours[landing]).max() < 0.1


def test_one_g_in_flight_and_impact_is_not_believed_either():
    """A leg that turns at 7 rad/s on an arm of 0.2 m feels 1 g in free fall (w² r = 9.8 m/s²).

    Here the thigh feels 1 g, 60 degrees off, from 0.25 s before contact to 0.4 s after it. The norm
    alone lets that pull the angle; the fall and the landing do not count.
    """
    rate_hz, contact = 500.0, STILL.contacts[0].time_s

    def disturbed(segment, time):
        force = segment_force(STILL, segment, "left", time)
        during = (time > contact - 0.25) & (time < contact + 0.4) & (segment == "thigh")
        one_g = np.array([math.sin(math.pi / 3.0), math.cos(math.pi / 3.0), 0.0])
        return np.where(during, one_g[:, None], force)

    time, plain, _ = errors_of(knee_of(STILL, rate_hz), STILL)
    wrong = naive_error(
        time, rate_hz, lambda segment: disturbed(segment, time), lambda norm: abs(norm - 1.0) < 0.05
    )
    assert np.abs(wrong).max() > 10.0
    whole = np.arange(round(STILL.duration_s * rate_hz)) / rate_hz
    names = TILT_CHANNELS["left"]
    forces = G * np.concatenate([disturbed(segment, whole) for segment in SEGMENTS])
    other = dict(zip(names, forces, strict=True))
    knee = changed(knee_of(STILL, rate_hz), lambda channels: channels | other)
    _, ours, found = errors_of(knee, STILL)
    assert "tilt_corrected" in found.flags
    # 20 Hz let the fall begin some 20 ms early, before the longest fall counts: 0.010 degrees
    np.testing.assert_allclose(ours, plain, atol=0.02)


def test_units_that_sit_askew_or_mirrored_give_the_same():
    """The flexion axis in the unit's frame goes with the unit; a mirrored one is turned back."""
    plain = errors_of(knee_of(SWAYING, 200.0, 1.0), SWAYING)[1]
    pose = Rotation.from_euler("xyz", [10.0, -25.0, 15.0], degrees=True)
    frame = SegmentFrame(np.zeros(3), axis=tuple(pose.apply(Z_AXIS)))
    askew = errors_of(knee_of(SWAYING, 200.0, 1.0, pose=pose, frame=frame), SWAYING)[1]
    np.testing.assert_allclose(askew, plain, atol=1e-9)
    about_y = Rotation.from_euler("y", 180.0, degrees=True)
    mirrored = knee_of(SWAYING, 200.0, 1.0, pose=about_y)
    worn = Knee(
        mirrored.signals, "left", -mirrored.thigh, -mirrored.shank, -mirrored.rate, mirrored.tilt
    )
    np.testing.assert_allclose(errors_of(worn.turned(), SWAYING)[1], plain, atol=1e-9)


def changed(knee, change):
    """The knee with other readings of its accelerometers."""
    channels = change(dict(knee.signals.channels))
    signals = Signals("trial", "wearables", 0.0, knee.signals.rate_hz, channels)
    tilt = read_tilt(signals, "left", {}, DROP_M)
    return Knee(signals, "left", knee.thigh, knee.shank, knee.rate, tilt)


def scaled(factor):
    return lambda channels: {
        name: values * factor if "acceleration" in name else values
        for name, values in channels.items()
    }


def stuck(channels):
    """The thigh's unit repeats its first reading, which is a perfect 1 g."""
    return {
        name: np.full_like(values, values[0]) if "thigh_acceleration" in name else values
        for name, values in channels.items()
    }


def without_one(channels):
    return {
        name: values for name, values in channels.items() if name != "shank_acceleration.left.x"
    }


@pytest.mark.parametrize("change", [scaled(1.08), scaled(0.0), stuck, without_one])
def test_where_gravity_cannot_be_told_the_angle_stands_and_says_so(change):
    knee = knee_of(SWAYING, 200.0, 1.0)
    _, error, found = errors_of(changed(knee, change), SWAYING)
    _, plain, uncorrected = errors_of(knee_of(SWAYING, 200.0, 1.0, accelerometers=False), SWAYING)
    np.testing.assert_array_equal(error, plain)
    assert found.flags == uncorrected.flags | {"tilt_not_corrected"}


def test_who_never_stands_still_has_no_zero_to_hold():
    knee = knee_of(SWAYING, 200.0)
    restless = np.radians(25.0) * np.sin(2.0 * np.pi * 1.5 * np.arange(knee.rate.size) / 200.0)
    moving = (knee.thigh + restless, knee.shank, knee.rate + restless)
    never = Knee(knee.signals, "left", *moving, knee.tilt)
    assert errors_of(never, SWAYING)[2].flags == {"no_quiet_stance", "tilt_not_corrected"}


def test_the_settings_can_do_without_it():
    filtering = PROCESSING.filtering.model_copy(update={"tilt_correction": None})
    off = PROCESSING.model_copy(update={"filtering": filtering})
    _, error, found = errors_of(knee_of(SWAYING, 200.0, 1.0), SWAYING, off)
    _, plain, _ = errors_of(knee_of(SWAYING, 200.0, 1.0, accelerometers=False), SWAYING)
    np.testing.assert_array_equal(error, plain)
    assert not {flag for flag in found.flags if "tilt" in flag}


def test_settings_that_let_gravity_pull_at_the_landing_are_refused():
    content = PROCESSING.model_dump()
    content["filtering"]["tilt_correction"]["off_after_contact_s"] = 0.1
    with pytest.raises(ValueError, match="pull the knee angle at the impact; set it to 0"):
        ProcessingSettings(**content)
