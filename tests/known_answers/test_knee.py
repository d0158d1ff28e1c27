"""Knee flexion from gyroscopes and camera against closed forms (DOMAIN 2.2, 3.6, 3.7, 9.6)."""

import math

import numpy as np
import pytest

from pipeline.calibration.mirrored import landing_rotation, mounting
from pipeline.calibration.stillness import Window
from pipeline.filtering.butterworth import zero_lag_lowpass
from pipeline.filtering.sampled import cumulative_integral
from pipeline.metrics.knee import (
    expected_drift_rad,
    knee_angle,
    knee_flexion_metrics,
    knee_rate,
    linear_bias,
    peak_knee_flexion_rate,
)
from pipeline.reasons import Reason
from tests.known_answers.signals import sample_times

CONTACT = 2.0


def _landing(rate, at_contact=15.0, excursion=60.0, duration=0.250, contact=CONTACT):
    """Angle (deg) and rate (deg/s): standing, pre-flexion to `at_contact`, raised-cosine landing.

    The pre-flexion is a raised cosine over 0.5 s that ends 0.1 s before contact.
    """
    time = sample_times(rate, 4.0)
    before = np.clip((time - (contact - 0.6)) / 0.5, 0.0, 1.0)
    after = np.clip((time - contact) / duration, 0.0, 1.0)
    angle = at_contact * 0.5 * (1 - np.cos(np.pi * before))
    angle += excursion * 0.5 * (1 - np.cos(np.pi * after))
    speed = at_contact * 0.5 * np.pi / 0.5 * np.sin(np.pi * before)
    speed += excursion * 0.5 * np.pi / duration * np.sin(np.pi * after)
    return angle, speed


def _values(metrics):
    return {name: outcome.value for name, outcome in metrics.items()}


@pytest.mark.parametrize("rate", [100, 200, 500, 1000, 2000])
@pytest.mark.parametrize("shift", [0.0, 0.0037])
def test_angles_of_a_landing_to_a_tenth_of_a_degree(rate, shift):
    contact = CONTACT + shift
    _, speed = _landing(rate, contact=contact)
    bias = np.radians([1.3, -0.8])
    thigh, shank = 0.4 * np.radians(speed) + bias[0], -0.6 * np.radians(speed) + bias[1]
    knee = knee_rate(thigh - bias[0], shank - bias[1])
    standing = Window(0, round(0.5 * rate))
    angle = knee_angle(knee, rate, standing=standing)
    metrics = knee_flexion_metrics(angle, rate, contact=contact * rate, knee_flexion_s=0.4)
    values = _values(metrics)
    assert values["knee_flexion_at_contact"] == pytest.approx(15.0, abs=0.1)
    assert values["peak_knee_flexion"] == pytest.approx(75.0, abs=0.1)
    assert values["knee_flexion_excursion"] == pytest.approx(60.0, abs=0.1)
    assert metrics["peak_knee_flexion"].first_sample == math.floor(contact * rate)
    assert metrics["peak_knee_flexion"].last_sample == math.floor((contact + 0.4) * rate)
    peak = peak_knee_flexion_rate(knee, angle, rate, contact=contact * rate, knee_flexion_s=0.4)
    # DOMAIN 5.5: a raised cosine of 60 degrees in 250 ms reaches 377 degrees per s
    loss = 1.0 - math.cos(math.pi * 0.5 / rate / 0.250)
    assert 377.0 * (1 - loss) - 0.05 <= peak.value <= 377.0
    assert peak.first_sample == math.ceil(contact * rate)


def test_angles_with_realistic_noise():
    # 0.1 deg/s of noise, bias removed by a stance of 1 s (DOMAIN 10.5), 20 Hz filter, 500 Hz
    rate, rng, errors = 500.0, np.random.default_rng(11), []
    _, speed = _landing(rate)
    standing = Window(0, round(0.5 * rate))
    for _ in range(200):
        noisy = speed + rng.normal(0.5, 0.5) + rng.normal(0.0, 0.14, len(speed))
        noisy = np.radians(noisy) - np.radians(noisy)[: round(rate)].mean()
        smooth = zero_lag_lowpass(noisy, rate, cutoff_hz=20.0, order_per_pass=2)
        angle = knee_angle(smooth, rate, standing=standing)
        values = _values(
            knee_flexion_metrics(angle, rate, contact=CONTACT * rate, knee_flexion_s=0.4)
        )
        peak = peak_knee_flexion_rate(
            smooth, angle, rate, contact=CONTACT * rate, knee_flexion_s=0.4
        )
        errors.append((
            values["knee_flexion_at_contact"] - 15.0,
            values["peak_knee_flexion"] - 75.0,
            values["knee_flexion_excursion"] - 60.0,
            peak.value - 377.0,
        ))  # fmt: skip
    bias, spread = np.mean(errors, axis=0), np.std(errors, axis=0)
    # the 20 Hz filter rounds the corner of the raised cosine at contact: +0.1 degree there
    assert (np.abs(bias) < (0.2, 0.1, 0.3, 2.0)).all()
    assert (spread < (0.05, 0.05, 0.05, 0.3)).all()


def test_camera_at_120_hz_needs_no_integration():
    rate = 120.0
    angle, _ = _landing(rate)
    values = _values(
        knee_flexion_metrics(np.radians(angle), rate, contact=CONTACT * rate, knee_flexion_s=0.4)
    )
    assert values["knee_flexion_excursion"] == pytest.approx(60.0, abs=1e-6)


def test_zero_offset_cancels_in_the_excursion():
    rate = 500.0
    angle, _ = _landing(rate)
    plain, lifted = (
        _values(
            knee_flexion_metrics(
                np.radians(angle + zero), rate, contact=CONTACT * rate, knee_flexion_s=0.4
            )
        )
        for zero in (0.0, 7.0)
    )
    assert lifted["peak_knee_flexion"] - plain["peak_knee_flexion"] == pytest.approx(7.0)
    assert lifted["knee_flexion_excursion"] == pytest.approx(plain["knee_flexion_excursion"])


@pytest.mark.parametrize(("lag_ms", "error"), [(5, 2.0), (10, 4.0), (20, 8.0)])
def test_a_contact_clock_that_is_off(lag_ms, error):
    # DOMAIN 3.6: 5/10/20 ms at 400 degrees per s are 2/4/8 degrees
    rate = 1000.0
    angle = np.radians(400.0 * (np.arange(2000) / rate))
    early, late = (
        _values(knee_flexion_metrics(angle, rate, contact=contact, knee_flexion_s=0.1))
        for contact in (1000.0, 1000.0 + lag_ms)
    )
    change = late["knee_flexion_at_contact"] - early["knee_flexion_at_contact"]
    assert change == pytest.approx(error, abs=1e-9)


def test_sinusoid():
    # DOMAIN 9.6: 60 degrees, 2 Hz: peak rate 753.982 degrees per s, excursion 120 degrees
    rate = 1000.0
    time = sample_times(rate, 3.0)
    speed = np.radians(60.0 * 2 * np.pi * 2.0 * np.cos(2 * np.pi * 2.0 * time))
    angle = knee_angle(speed, rate, standing=Window(0, 0))
    assert np.degrees(np.ptp(angle)) == pytest.approx(120.0, abs=0.01)
    start = 0.375 * rate  # lowest point of the sine at 3/8 s
    peak = peak_knee_flexion_rate(speed, angle, rate, contact=start, knee_flexion_s=0.26)
    assert peak.value == pytest.approx(753.982, abs=5e-4)
    metrics = _values(knee_flexion_metrics(angle, rate, contact=start, knee_flexion_s=0.26))
    assert metrics["knee_flexion_excursion"] == pytest.approx(120.0, abs=0.01)


def test_opposite_rates_add_up():
    a = np.array([0.1, 0.2])
    np.testing.assert_allclose(knee_rate(a, -a), 2 * a)


def test_a_constant_bias_of_half_a_degree_per_second_is_five_degrees_after_ten_seconds():
    rate = 200.0
    angle = knee_angle(np.full(2001, np.radians(0.5)), rate, standing=Window(0, 0))
    assert np.degrees(angle[-1]) == pytest.approx(5.0, abs=1e-9)


def test_bias_that_drifts_in_a_straight_line():
    # DOMAIN 3.7: bias 0.5 + 0.05 t over 8 s: 5.6 degrees; 1.6 with the start bias; 0 with both
    rate = 100.0
    time = sample_times(rate, 8.0)
    bias = np.radians(0.5 + 0.05 * time)
    instant = Window(0, 0)
    assert np.degrees(knee_angle(bias, rate, standing=instant)[-1]) == pytest.approx(5.6)
    after_start = bias - bias[0]
    angle = np.degrees(knee_angle(after_start, rate, standing=instant)[-1])
    assert angle == pytest.approx(1.6)
    start, end = Window(0, 100), Window(700, 800)
    straight = linear_bias(bias, start, end)
    np.testing.assert_allclose(straight, bias, atol=1e-12)
    drift = expected_drift_rad(after_start, rate, standing=instant, end_stance=Window(800, 800))
    assert np.degrees(drift) == pytest.approx(1.6)
    with pytest.raises(ValueError, match="must come after"):
        linear_bias(bias, end, start)


def test_white_noise_drifts_with_the_root_of_time():
    # DOMAIN 3.7: SD N sqrt(t/2) for a one-sided density N (deg/s per root Hz)
    rate, density, duration = 100.0, 0.05, 10.0
    rng = np.random.default_rng(9)
    sd = density * math.sqrt(rate / 2.0)
    noise = np.radians(rng.normal(0.0, sd, size=(4000, round(duration * rate) + 1)))
    ends = np.degrees(cumulative_integral(noise, rate)[:, -1])
    assert ends.std() == pytest.approx(density * math.sqrt(duration / 2.0), rel=0.04)


@pytest.mark.parametrize(
    ("angle_deg", "lost", "leaked"), [(5, 0.004, 0.087), (10, 0.015, 0.17), (15, 0.034, 0.26)]
)
def test_misalignment_of_the_sagittal_axis(angle_deg, lost, leaked):
    # DOMAIN 2.2: share of the sagittal rate lost, and of the frontal rate leaked in
    rate = 500.0
    _, speed = _landing(rate)
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    angle = knee_angle(np.radians(speed * cosine), rate, standing=Window(0, 100))
    values = _values(knee_flexion_metrics(angle, rate, contact=CONTACT * rate, knee_flexion_s=0.4))
    assert 1 - values["knee_flexion_excursion"] / 60.0 == pytest.approx(lost, abs=6e-4)
    assert sine == pytest.approx(leaked, abs=4e-3)


def test_take_off_ends_the_window():
    rate = 500.0
    angle = np.radians(np.linspace(0.0, 100.0, 1001))
    values = knee_flexion_metrics(angle, rate, contact=200.0, knee_flexion_s=0.4, until=250.0)
    assert values["peak_knee_flexion"].value == pytest.approx(25.0)
    assert values["peak_knee_flexion"].last_sample == 250


def test_a_recording_that_ends_too_early_is_refused():
    rate = 500.0
    angle = np.zeros(600)
    for outcome in knee_flexion_metrics(angle, rate, contact=450.0, knee_flexion_s=0.4).values():
        assert outcome.reason is Reason.SHORT_RECORDING
        assert "samples 450 to 650 are needed, the recording has 600" in outcome.detail
    rate_outcome = peak_knee_flexion_rate(angle, angle, rate, contact=450.0, knee_flexion_s=0.4)
    assert rate_outcome.reason is Reason.SHORT_RECORDING


MOUNTING = {
    "mirrored_share": 0.9,
    "mirrored_minimum_landings": 3,
    "mirrored_smallest_deg": 5.0,
}


def _rotations(sign, count, rng):
    rotations = []
    for _ in range(count):
        _, speed = _landing(200.0, excursion=rng.uniform(40, 80))
        noisy = sign * np.radians(0.4 * speed + rng.normal(0.0, 3.0, len(speed)))
        rotations.append(landing_rotation(noisy, 200.0, CONTACT * 200.0, mirrored_window_s=0.15))
    return rotations


def test_a_mirrored_unit_is_told_from_its_landings():
    rng = np.random.default_rng(12)
    assert mounting(_rotations(1, 6, rng), **MOUNTING).mirrored is False
    decision = mounting(_rotations(-1, 6, rng), **MOUNTING)
    assert decision.mirrored is True
    assert (decision.landings, decision.opposite) == (6, 6)
    assert decision.median_rotation_rad < -0.15


def test_no_decision_from_few_or_contradicting_landings():
    rng = np.random.default_rng(13)
    assert mounting(_rotations(-1, 2, rng), **MOUNTING).mirrored is None
    mixed = _rotations(-1, 3, rng) + _rotations(1, 3, rng)
    assert mounting(mixed, **MOUNTING).mirrored is None
    assert mounting([0.01, -0.02, 0.03], **MOUNTING).landings == 0
    one_odd = _rotations(-1, 9, rng) + _rotations(1, 1, rng)
    assert mounting(one_odd, **MOUNTING).mirrored is True
