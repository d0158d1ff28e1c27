"""Bench calibration of accelerometers, gyroscopes and plates on data that is known exactly.

Closed forms throughout: the reading is computed from planted scale and bias.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.accelerometer import (
    DIRECTIONS,
    POSITIONS,
    bias_from_pairs,
    from_known_orientations,
    from_six_positions,
    from_unknown_orientations,
    spread_of_poses,
)
from pipeline.calibration.flexion_axis import flexion_axis
from pipeline.calibration.gyroscope import bias_in_session, scale_from_rotation
from pipeline.calibration.plate_loads import check_known_loads, gain_mismatch
from pipeline.calibration.static_pose import position_of, static_pose

G = 9.80665
SCALE = np.array([[1.02, 0.0, 0.0], [0.013, 0.97, 0.0], [-0.008, 0.006, 1.01]])
FULL = np.array([[1.02, -0.004, 0.009], [0.013, 0.97, -0.011], [-0.008, 0.006, 1.01]])
BIAS = np.array([0.31, -0.22, 0.15])


def cube_poses() -> np.ndarray:
    """Faces, edges and corners of a cube up: 26 directions, shape (26, 3)."""
    grid = np.array(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 3)).reshape(3, -1).T
    grid = grid[np.abs(grid).sum(axis=1) > 0]
    return grid / np.linalg.norm(grid, axis=1)[:, None]


def test_six_orientations_give_back_scale_and_bias():
    readings = G * DIRECTIONS @ FULL.T + BIAS
    fit = from_known_orientations(readings, DIRECTIONS, G)
    np.testing.assert_allclose(fit.accelerometer.scale, FULL, rtol=0, atol=1e-12)
    np.testing.assert_allclose(fit.accelerometer.bias, BIAS, rtol=0, atol=1e-12)
    np.testing.assert_allclose(bias_from_pairs(readings), BIAS, rtol=0, atol=1e-12)
    assert fit.residual_mg < 1e-9
    corrected = fit.accelerometer.corrected(readings.T).T
    np.testing.assert_allclose(corrected, G * DIRECTIONS, rtol=0, atol=1e-12)


def test_a_tilted_pose_moves_the_bias_of_pairs_in_second_order_only():
    tilt = np.radians(2.0)
    tilted = DIRECTIONS.copy()
    tilted[0] = [np.cos(tilt), np.sin(tilt), 0.0]  # x_up lies 2 degrees off
    readings = G * tilted
    by_least_squares = from_known_orientations(readings, DIRECTIONS, G)
    # closed forms: g sin(tilt) / 6 against g (1 - cos(tilt)) / 2
    assert by_least_squares.accelerometer.bias[1] == pytest.approx(G * np.sin(tilt) / 6)
    assert bias_from_pairs(readings)[0] == pytest.approx(-G * (1 - np.cos(tilt)) / 2)
    assert by_least_squares.residual_mg == pytest.approx(4.75, abs=0.01)  # as found


def test_orientations_that_leave_an_axis_out_are_refused():
    with pytest.raises(ValueError, match="do not tell all axes"):
        from_known_orientations(np.ones((4, 3)), DIRECTIONS[:4], G)
    same = G * DIRECTIONS[[0, 0, 2, 3, 4, 5]]
    with pytest.raises(ValueError, match="no axis was turned over"):
        from_six_positions(same, G)


def test_poses_by_hand_give_back_a_lower_triangular_scale_and_bias():
    rng = np.random.default_rng(3)
    poses = cube_poses() + rng.normal(0.0, 0.15, (26, 3))  # no pose is where it was meant to be
    poses /= np.linalg.norm(poses, axis=1)[:, None]
    fit = from_unknown_orientations(G * poses @ SCALE.T + BIAS, G)
    np.testing.assert_allclose(fit.accelerometer.scale, SCALE, rtol=0, atol=1e-12)
    np.testing.assert_allclose(fit.accelerometer.bias, BIAS, rtol=0, atol=1e-12)
    assert fit.residual_mg < 1e-9


def test_nine_poses_are_enough_and_eight_are_refused():
    poses = np.concatenate([DIRECTIONS, cube_poses()[[0, 1, 3]]])
    readings = G * poses @ SCALE.T + BIAS
    fit = from_unknown_orientations(readings, G)
    np.testing.assert_allclose(fit.accelerometer.scale, SCALE, rtol=0, atol=1e-10)
    with pytest.raises(ValueError, match="8 poses cannot tell 9 unknowns"):
        from_unknown_orientations(readings[:8], G)


def test_poses_in_one_plane_do_not_spread():
    turns = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    flat = np.stack([np.cos(turns), np.sin(turns), 0.02 * np.cos(3 * turns)], axis=1)
    flat /= np.linalg.norm(flat, axis=1)[:, None]
    assert spread_of_poses(G * cube_poses() @ SCALE.T + BIAS) < 5.0
    assert spread_of_poses(G * flat) > 100.0
    assert spread_of_poses(np.ones((9, 3))) == float("inf")


def test_noise_of_the_poses_is_the_residual():
    rng = np.random.default_rng(4)
    poses = np.repeat(cube_poses(), 40, axis=0)
    noise = rng.normal(0.0, 0.003 * G, poses.shape)
    fit = from_unknown_orientations(G * poses @ SCALE.T + BIAS + noise, G)
    assert fit.residual_mg == pytest.approx(3.0, rel=0.1)
    np.testing.assert_allclose(fit.accelerometer.scale, SCALE, atol=1e-3)


def test_a_static_pose_is_told_from_a_moving_one():
    rng = np.random.default_rng(5)
    still = np.array([[0.1], [-G], [0.2]]) + rng.normal(0.0, 0.01, (3, 400))
    pose = static_pose(still, 100.0, window_s=1.0, largest_spread=0.05)
    assert pose.reason == ""
    assert position_of(pose.mean) == "y_down"
    assert [position_of(G * direction) for direction in DIRECTIONS] == list(POSITIONS)
    moving = still + np.sin(0.3 * np.arange(400))
    assert "not static" in static_pose(moving, 100.0, window_s=1.0, largest_spread=0.05).reason


def turn(rate_hz: float, angle_deg: float, *, scale: float = 1.0, drift_deg_s: float = 0.0):
    """A raised-cosine turn of 4 s between two rests of 1 s, with a bias that drifts linearly."""
    time = np.arange(round(6 * rate_hz) + 1) / rate_hz
    inside = np.clip((time - 1.0) / 4.0, 0.0, 1.0)
    rate = np.radians(angle_deg) / 4.0 * (1.0 - np.cos(2.0 * np.pi * inside))
    return scale * rate + np.radians(0.4 + drift_deg_s * time / 6.0)


ROTATION = {"rest_window_s": 0.5, "rest_spread_deg_s": 0.5, "largest_scale_error": 0.1}


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
@pytest.mark.parametrize("angle_deg", [360.0, -360.0, 90.0])
def test_the_scale_of_a_gyroscope_follows_from_a_known_turn(rate_hz, angle_deg):
    rate = turn(rate_hz, angle_deg, scale=1.013, drift_deg_s=0.3)
    found = scale_from_rotation(rate, rate_hz, angle_rad=np.radians(angle_deg), **ROTATION)
    assert found.reason == ""
    assert found.scale == pytest.approx(1.013, rel=1e-9)


def test_a_turn_that_is_not_enclosed_by_rests_is_refused():
    rate = turn(100.0, 360.0)
    late = scale_from_rotation(rate[200:], 100.0, angle_rad=2 * np.pi, **ROTATION)
    assert "no rest at the start of the turn" in late.reason
    early = scale_from_rotation(rate[:400], 100.0, angle_rad=2 * np.pi, **ROTATION)
    assert "no rest at the end of the turn" in early.reason
    half = scale_from_rotation(rate, 100.0, angle_rad=np.pi, **ROTATION)
    assert "turned by 360.0 degrees instead of 180" in half.reason
    with pytest.raises(ValueError, match="do not hold a window"):
        scale_from_rotation(rate[:60], 100.0, angle_rad=2 * np.pi, **ROTATION)


def test_a_linear_drift_of_the_bias_is_removed_exactly():
    """0.5 + 0.05 t degrees/s over 8 s: 5.6 uncorrected, 1.6 by the start alone, 0 by both."""
    time = np.linspace(0.0, 8.0, 801)
    rate = 0.5 + 0.05 * time
    start, end = np.array([0.5]), np.array([0.9])
    by_both = rate - np.array([bias_in_session(start, end, t / 8.0)[0] for t in time])
    assert np.trapezoid(rate, time) == pytest.approx(5.6)
    assert np.trapezoid(rate - start, time) == pytest.approx(1.6)
    assert np.trapezoid(by_both, time) == pytest.approx(0.0, abs=1e-12)
    assert bias_in_session(start, end, None) == pytest.approx(0.7)


def flexions(rate_hz: float, axis: np.ndarray, sign: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Six flexions of 60 degrees in 12 s: rates in the frame of the unit, and the true rate."""
    time = np.arange(round(12 * rate_hz) + 1) / rate_hz
    true = sign * np.radians(30.0) * np.pi * np.sin(np.pi * time)
    return axis[:, None] * true, true


LIMITS = {"smallest_explained_share": 0.9, "smallest_flexion_deg": 20.0}


@pytest.mark.parametrize(
    ("degrees", "loss_percent", "leak_percent"), [(5, 0.4, 8.7), (10, 1.5, 17), (15, 3.4, 26)]
)
def test_misalignment_loses_rate_and_the_axis_gives_it_back(degrees, loss_percent, leak_percent):
    """Loss 1 - cos and leak sin of the angle, to the printed digits of the trade's table."""
    angle = np.radians(degrees)
    axis = np.array([np.sin(angle), 0.0, np.cos(angle)])
    rates, true = flexions(200.0, axis)
    assert 100 * (1.0 - rates[2].max() / true.max()) == pytest.approx(loss_percent, abs=0.05)
    leak = np.array([1.0, 0.0, 0.0])[:, None] * true  # the unit's z axis sees sin of the frontal
    assert 100 * np.abs(leak[0] * np.sin(angle)).max() / true.max() == pytest.approx(
        leak_percent, abs=0.5
    )
    found = flexion_axis(rates, 200.0, **LIMITS)
    assert found.accepted
    assert found.explained_share == pytest.approx(1.0, abs=1e-12)
    np.testing.assert_allclose(found.axis, axis, atol=1e-12)
    corrected = found.axis @ rates
    np.testing.assert_allclose(corrected, true, atol=1e-12)


def test_the_sign_of_the_axis_is_that_of_flexion():
    upside_down = np.array([0.1, 0.0, -1.0]) / np.hypot(0.1, 1.0)
    rates, true = flexions(100.0, upside_down)
    found = flexion_axis(rates, 100.0, **LIMITS)
    np.testing.assert_allclose(found.axis @ rates, true, atol=1e-12)
    assert found.axis[2] < 0.0


def test_a_movement_about_two_axes_gives_no_axis():
    rates, _ = flexions(100.0, np.array([0.0, 0.0, 1.0]))
    about_x, _ = flexions(100.0, np.array([1.0, 0.0, 0.0]))
    both = rates + 0.5 * np.roll(about_x, 50, axis=1)  # a quarter period later: a cone
    found = flexion_axis(both, 100.0, **LIMITS)
    assert found.explained_share == pytest.approx(1.0 / 1.25, abs=0.005)  # 1 to 0.5 squared
    assert "one axis explains" in found.reason
    small = flexion_axis(0.1 * rates, 100.0, **LIMITS)
    assert "the segment turned by 6.0 degrees" in small.reason
    with pytest.raises(ValueError, match="zero on all axes"):
        flexion_axis(np.zeros((3, 10)), 100.0, **LIMITS)


def test_known_masses_give_gain_and_mismatch():
    weights = G * np.array([10.0, 20.0, 40.0])
    left = check_known_loads(1.010 * weights + 3.0, weights, largest_gain_error=0.005)
    right = check_known_loads(0.999 * weights - 1.0, weights, largest_gain_error=0.005)
    assert (left.gain, left.zero_n) == (pytest.approx(1.010), pytest.approx(3.0))
    assert "off by +1.00%" in left.reason
    assert right.reason == ""
    assert right.residual_n == pytest.approx(0.0, abs=1e-10)
    assert gain_mismatch(left.gain, right.gain) == pytest.approx(1.010 / 0.999 - 1.0)
    with pytest.raises(ValueError, match="two loads at least"):
        check_known_loads([1.0, 2.0], [5.0, 5.0], largest_gain_error=0.005)
