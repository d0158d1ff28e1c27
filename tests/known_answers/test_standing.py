"""Standing calibration: stillness, gravity, bias, body weight, and why one is refused."""

import numpy as np
import pytest

from pipeline.calibration.body_weight import body_weight, quiet_stance
from pipeline.calibration.standing import standing_bias, standing_gravity
from pipeline.calibration.stillness import moving_mean_and_sd, stillest_window
from tests.known_answers.rules import STANCE
from tests.known_answers.signals import MASS, WEIGHT, G

GRAVITY = {
    "window_s": 1.0,
    "acceleration_spread_g": 0.02,
    "acceleration_norm_error_g": 0.03,
}
BIAS = {"window_s": 1.0, "rate_spread_deg_s": 2.0, "rate_bias_deg_s": 10.0}
PLATE = {
    "window_s": 1.0,
    "force_spread_share": 0.01,
    "mass_difference_share": 0.02,
    "drift_share": 0.005,
    "smallest_load_n": 200.0,
}


def test_moving_moments_are_those_of_each_window():
    rng = np.random.default_rng(0)
    signal = 1e4 + rng.normal(size=(2, 300))  # far from zero: the squares must not lose digits
    mean, spread = moving_mean_and_sd(signal, 40)
    windows = np.lib.stride_tricks.sliding_window_view(signal, 40, axis=-1)
    np.testing.assert_allclose(mean, windows.mean(axis=-1), rtol=1e-13)
    np.testing.assert_allclose(spread, windows.std(axis=-1), rtol=1e-9)


@pytest.mark.parametrize("rate", [100, 200, 500, 1000])
def test_the_stillest_second_is_found(rate):
    rng = np.random.default_rng(1)
    signal = rng.normal(0.0, 1.0, size=(3, 6 * rate))
    signal[:, 3 * rate : 4 * rate] *= 0.1
    window = stillest_window(signal, np.ones(3), rate, window_s=1.0)
    assert abs(window.first_sample - 3 * rate) <= 0.02 * rate
    assert window.last_sample - window.first_sample + 1 == rate


def test_a_recording_shorter_than_the_window_is_refused():
    with pytest.raises(ValueError, match=r"50 samples at 100 per second .* window of 1 s"):
        stillest_window(np.zeros((1, 50)), [1.0], 100.0, window_s=1.0)
    assert quiet_stance(np.full(50, WEIGHT), 100.0, **STANCE) is None


def _standing(direction, rate=200.0, seconds=4.0, noise=0.01, scale=1.0):
    rng = np.random.default_rng(2)
    direction = np.asarray(direction) / np.linalg.norm(direction)
    still = scale * G * direction[:, None] * np.ones(round(rate * seconds))
    return still + rng.normal(0.0, noise * G, still.shape), direction


def test_gravity_direction_in_the_sensor_frame():
    signal, direction = _standing([0.2, 0.95, -0.1])
    found = standing_gravity(signal, 200.0, **GRAVITY)
    assert found.accepted
    angle = np.degrees(np.arccos(min(found.direction @ direction, 1.0)))
    assert angle < 0.15  # 10 mg of noise over 200 samples
    assert found.magnitude_g == pytest.approx(1.0, abs=0.002)


def test_why_an_accelerometer_is_refused():
    restless, _ = _standing([0, 1, 0], noise=0.05)
    assert "varies by 0.0" in standing_gravity(restless, 200.0, **GRAVITY).reason
    wrong, _ = _standing([0, 1, 0], scale=1.06, noise=0.0)
    found = standing_gravity(wrong, 200.0, **GRAVITY)
    assert found.reason == "mean acceleration is 1.060 g, limit 1 g ± 0.03 g"
    assert not found.accepted
    with pytest.raises(ValueError, match="reads zero"):
        standing_gravity(np.zeros((3, 400)), 200.0, **GRAVITY)


def test_bias_of_a_gyroscope():
    rng = np.random.default_rng(3)
    bias = np.radians([0.5, -1.0, 0.2])
    rates = bias[:, None] + np.radians(rng.normal(0.0, 0.1, size=(3, 1000)))
    rates[:, :300] += np.radians(30.0)  # the athlete still moves
    found = standing_bias(rates, 200.0, **BIAS)
    assert found.accepted
    assert found.window.first_sample >= 300
    # standard error of the mean: 0.1/sqrt(200) = 0.007 deg/s
    np.testing.assert_allclose(np.degrees(found.bias), [0.5, -1.0, 0.2], atol=0.03)


def test_why_a_gyroscope_is_refused():
    rng = np.random.default_rng(4)
    restless = np.radians(rng.normal(0.0, 5.0, size=(3, 1000)))
    assert "limit 2 °/s" in standing_bias(restless, 200.0, **BIAS).reason
    far = np.full((3, 1000), np.radians(12.0))
    assert standing_bias(far, 200.0, **BIAS).reason == (
        "bias of angular rate is 12.00 °/s, limit 10 °/s"
    )


def test_body_weight_and_mass():
    rng = np.random.default_rng(5)
    force = np.concatenate([np.zeros(1000), np.full(5000, WEIGHT)]) + rng.normal(0, 2.0, 6000)
    found = body_weight(force, 1000.0, **PLATE, scale_mass_kg=70.5)
    assert found.accepted
    assert found.window.first_sample >= 1000  # the empty plate is stiller than the athlete
    assert found.weight_n == pytest.approx(WEIGHT, abs=0.3)  # 2 N/sqrt(1000) = 0.06 N
    assert found.mass_kg == pytest.approx(MASS, abs=0.03)
    other = body_weight(force, 1000.0, **PLATE, scale_mass_kg=70.5, gravity=9.8)
    assert other.mass_kg == pytest.approx(found.weight_n / 9.8)


@pytest.mark.parametrize(
    ("force", "words"),
    [
        (WEIGHT + 15 * np.sin(np.arange(5000) / 20), "varies by 1.5% of body weight, limit 1.0%"),
        (WEIGHT + np.linspace(0, 70, 5000), "drifts by 1.0% of body weight, limit 0.5%"),
        (np.full(5000, 0.9 * WEIGHT), "on the scale 70.0 kg (-10.0%, limit 2.0%)"),
    ],
)
def test_why_a_weighing_is_refused(force, words):
    found = body_weight(force, 1000.0, **PLATE, scale_mass_kg=MASS)
    assert words in found.reason


def test_nobody_on_the_plates():
    assert body_weight(np.zeros(5000), 1000.0, **PLATE, scale_mass_kg=None) is None
