"""Published coefficients of a six-orientation calibration, from the raw recordings behind them.

Open data: two sessions of one inertial unit (MIT licence), beside this project as
`shared/data/imu_calibration_MIT`; its PROVENANCE names files, authors and formulas. The published
form is reading = K R a + b with a diagonal K and unit rows in R, g = 9.81 m/s², and a bias from
each axis' own pair of poses; our scale is K R.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from pipeline.calibration.accelerometer import (
    DIRECTIONS,
    bias_from_pairs,
    from_known_orientations,
    from_six_positions,
    from_unknown_orientations,
    spread_of_poses,
)
from pipeline.calibration.gyroscope import scale_from_rotation
from shared.sources import ROOT

FOLDER = ROOT.parent / "shared" / "data" / "imu_calibration_MIT"
pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="the open data of the folder 'shared' are not beside the project"
)
G = 9.81
TURNS = ["x_rot", "y_rot", "z_rot"]
PARTS = ["x_p", "x_a", "y_p", "y_a", "z_p", "z_a"]
ACC, GYR = ["acc_x", "acc_y", "acc_z"], ["gyr_x", "gyr_y", "gyr_z"]


def session(name: str) -> pd.DataFrame:
    return pd.read_parquet(FOLDER / name)


def poses(table: pd.DataFrame) -> np.ndarray:
    return table.groupby("part")[ACC].mean().loc[PARTS].to_numpy()


def published() -> dict[str, np.ndarray]:
    content = json.loads((FOLDER / "known_calibration_A.json").read_text())
    return {name: np.array(value) for name, value in content.items() if isinstance(value, list)}


def test_session_a_gives_the_published_scale_and_bias():
    readings, known = poses(session("session_A_counts_204.8Hz.parquet")), published()
    fit = from_known_orientations(readings, DIRECTIONS, G)
    expected = known["K_a"] @ known["R_a"]
    np.testing.assert_allclose(fit.accelerometer.scale, expected, rtol=1e-10)
    np.testing.assert_allclose(bias_from_pairs(readings), known["b_a"], rtol=1e-10)


def test_session_b_gives_the_published_scale_bias_and_samples():
    table = session("session_B_SI_102.4Hz.parquet")
    readings = poses(table)
    fit = from_known_orientations(readings, DIRECTIONS, G)
    rows = np.linalg.norm(fit.accelerometer.scale, axis=1)
    # printed to eight digits
    np.testing.assert_allclose(rows, [0.99674587, 1.00243762, 1.02339535], atol=5e-9)
    bias = bias_from_pairs(readings)
    np.testing.assert_allclose(bias, [0.53711742, -0.61620299, 0.39886734], atol=5e-9)
    known = pd.read_csv(FOLDER / "known_calibrated_B_first50.csv")[ACC].to_numpy()
    raw = table[ACC].to_numpy()[: len(known)]
    ours = np.linalg.solve(fit.accelerometer.scale, (raw - bias).T).T
    np.testing.assert_allclose(ours, known, rtol=1e-10, atol=1e-13)


@pytest.mark.parametrize(
    ("name", "residual_mg", "by_least_squares_mg", "by_pairs_mg"),
    [
        ("session_A_counts_204.8Hz.parquet", 4.24, 3.8, 0.15),
        ("session_B_SI_102.4Hz.parquet", 1.76, 1.5, 0.06),
    ],
)
def test_the_length_of_gravity_with_both_biases(
    name, residual_mg, by_least_squares_mg, by_pairs_mg
):
    """As found, not published: why the bias of pairs is applied; both pass the limit of 5 mg."""
    readings = poses(session(name))
    applied = from_six_positions(readings, G)
    assert applied.residual_mg == pytest.approx(residual_mg, abs=0.01)
    fits = (from_known_orientations(readings, DIRECTIONS, G), applied)
    worst = [
        1000 * np.abs(np.linalg.norm(fit.accelerometer.corrected(readings.T), axis=0) / G - 1).max()
        for fit in fits
    ]
    assert worst[0] == pytest.approx(by_least_squares_mg, abs=0.05)
    assert worst[1] == pytest.approx(by_pairs_mg, abs=0.01)


def test_the_scale_of_the_gyroscope_is_the_published_one():
    """Published: reading = K R rate + G a + b; a turn about one axis tells the diagonal of K R.

    The turns are of -360 degrees in the published sense. With the published bias and g-sensitivity
    taken out, the sum over the annotated part gives the published number. Our bias (the mean of the
    static poses) leaves the g-sensitivity in, which costs less than 1e-4 here.
    """
    table, known = session("session_A_counts_204.8Hz.parquet"), published()
    scale = known["K_a"] @ known["R_a"]
    expected = np.abs(np.diag(known["K_g"] @ known["R_g"]))
    still = table[table["part"].isin(PARTS)].groupby("part")[GYR].mean().mean().to_numpy()
    for axis, part in enumerate(TURNS):
        rows = table[table["part"] == part]
        force = np.linalg.solve(scale, (rows[ACC].to_numpy() - known["b_a"]).T)
        rates = rows[GYR].to_numpy() - (known["K_ga"] @ force).T - known["b_g"]
        turned = rates.sum(axis=0)[axis] / 204.8 / 360.0
        assert turned == pytest.approx(expected[axis], rel=1e-10)
        plain = (rows[GYR].to_numpy() - still).sum(axis=0)[axis] / 204.8 / 360.0
        assert plain == pytest.approx(expected[axis], rel=1e-4)


def test_turns_between_two_rests_give_the_scale_of_session_b():
    """No published number: the stretch with its rests against the annotated turn alone."""
    table, rate_hz = session("session_B_SI_102.4Hz.parquet"), 102.4
    rates = np.radians(table[GYR].to_numpy().T)
    still = table[table["part"].isin(PARTS)].groupby("part")[GYR].mean().mean().to_numpy()
    for axis, part in enumerate(TURNS):
        turn = np.flatnonzero(table["part"] == part)
        around = slice(turn[0] - 200, turn[-1] + 201)
        found = scale_from_rotation(
            rates[axis, around],
            rate_hz,
            angle_rad=2.0 * np.pi,
            rest_window_s=1.0,
            rest_spread_deg_s=0.5,
            largest_scale_error=0.1,
        )
        alone = table.loc[turn, GYR[axis]].to_numpy() - still[axis]
        assert found.reason == ""
        assert found.scale == pytest.approx(abs(alone.sum()) / rate_hz / 360.0, rel=2e-3)
        cut = scale_from_rotation(
            rates[axis, turn[0] + 50 : turn[-1] + 201],
            rate_hz,
            angle_rad=2.0 * np.pi,
            rest_window_s=1.0,
            rest_spread_deg_s=0.5,
            largest_scale_error=0.1,
        )
        assert "no rest at the start" in cut.reason


def test_poses_by_hand_against_known_orientations():
    """The recordings hold six orientations, too few by hand; so both meet on computed poses.

    Poses with the published coefficients of session A, in counts. By hand the frame may be turned,
    so scale @ scale.T (what the length of gravity tells) and the bias are compared, and the length.
    """
    readings, known = poses(session("session_A_counts_204.8Hz.parquet")), published()
    with pytest.raises(ValueError, match="6 poses cannot tell 9 unknowns"):
        from_unknown_orientations(readings, G)
    assert spread_of_poses(np.concatenate([readings, readings + 1e-3])) > 1e5
    scale = known["K_a"] @ known["R_a"]
    directions = np.random.default_rng(6).normal(size=(30, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    made = G * directions @ scale.T + known["b_a"]
    by_hand = from_unknown_orientations(made, G).accelerometer
    np.testing.assert_allclose(by_hand.scale @ by_hand.scale.T, scale @ scale.T, rtol=1e-10)
    np.testing.assert_allclose(by_hand.bias, known["b_a"], rtol=1e-9)
    # On the recorded poses both find the same length of gravity.
    by_positions = from_six_positions(readings, G).accelerometer
    lengths = [
        np.linalg.norm(found.corrected(readings.T), axis=0) for found in (by_hand, by_positions)
    ]
    np.testing.assert_allclose(lengths[0], lengths[1], rtol=1e-9)
