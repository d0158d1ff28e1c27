"""A knee that does not straighten by 7 degrees: a camera sees it, gyroscopes if told by the camera.

Closed form: all angles of the leg are larger by the deficit, all differences and rates the same.
Through the real readers and steps.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.extraction.knee_values import FROM_ZERO
from tests.known_answers.closed_study import plan, write_closed_study
from tests.known_answers.error_table import NATIVE
from tests.tiny_study.extracted import extract

DEFICIT_DEG = 7.0
KEY = ["landing_id", "metric", "sensor"]


@pytest.fixture(scope="module")
def measure(tmp_path_factory):
    """Returns a function that measures the leg with a zero of the gyroscopes' angle."""

    def run(zero, sway_deg=0.0):
        def stiff(columns):
            sway = sway_deg * np.sin(2.0 * np.pi * 2.0 * columns["time_s"])
            return columns | {"knee_left_deg": columns["knee_left_deg"] + DEFICIT_DEG + sway}

        settings = write_closed_study(
            tmp_path_factory.mktemp("study"),
            500.0,
            plan({"clean": 1}),
            processing=NATIVE | {"calibration": {"knee_zero": zero}},
            change=stiff,
        )
        return extract(settings, settings.results_folder)

    return run


@pytest.fixture(scope="module")
def declared(measure):
    return measure("standing")


@pytest.fixture(scope="module")
def measured(measure):
    return measure("measured")


def test_only_angles_of_the_gyroscopes_move_and_by_the_deficit(declared, measured):
    before, after = (tables["metrics"].set_index(KEY) for tables in (declared, measured))
    assert before.index.equals(after.index)
    change = (after["value"] - before["value"]).dropna()
    metric, sensor = (change.index.get_level_values(name) for name in ("metric", "sensor"))
    moved = (
        metric.isin(FROM_ZERO) & (sensor == "gyro") & (before.loc[change.index, "side"] == "left")
    )
    assert moved.sum() >= 6
    np.testing.assert_allclose(change[moved], DEFICIT_DEG, atol=1e-9)
    assert (change[~moved] == 0.0).all()


def test_curves_count_from_where_the_values_do(declared, measured):
    """A figure draws the value beside its curve."""
    key = ["landing_id", "channel", "time_s"]
    before, after = (tables["waveforms"].set_index(key)["value"] for tables in (declared, measured))
    assert before.index.equals(after.index)
    moved = before.index.get_level_values("channel") == "knee_flexion.left"
    assert moved.any()
    np.testing.assert_allclose((after - before)[moved], DEFICIT_DEG, atol=1e-9)
    assert ((after - before)[~moved] == 0.0).all()


def test_camera_and_gyroscopes_agree_on_the_angle_then(measured, declared):
    def differences(tables):
        values = tables["metrics"].query("side == 'left' and metric == 'peak_knee_flexion'")
        by_sensor = values.pivot(index="landing_id", columns="sensor", values="value")
        return by_sensor["camera"] - by_sensor["gyro"]

    # 12 Hz (camera) and 20 Hz (gyroscopes) round the same peak by less than half a degree
    assert differences(measured).abs().max() < 0.5
    assert differences(declared).min() > DEFICIT_DEG - 0.5


def test_the_measured_stance_is_named_and_told(measured):
    values, sources = measured["metrics"], measured["metric_sources"]
    told = values["flags"].str.contains("knee_zero_measured")
    of_zero = values["metric"].isin(FROM_ZERO) & (values["sensor"] == "gyro")
    assert (told == of_zero).all()
    camera = measured["calibrations"].set_index("location").loc["knee.left"]
    left = values.loc[told & (values["side"] == "left"), KEY]
    used = sources.query("role == 'calibration'").merge(left)
    # one file holds all sensors here: its stretch covers the stance of the camera
    assert set(used["recording_id"]) == {"E01.clearance.standing.both.1.bench_clean"}
    assert len(used) == len(left)
    assert (used["first_sample"] <= camera["first_sample"]).all()
    assert (used["last_sample"] >= camera["last_sample"]).all()


def test_a_knee_that_moves_in_the_stance_is_no_zero(measure, declared):
    moved = measure("measured", sway_deg=5.0)
    row = moved["calibrations"].set_index("location").loc["knee.left"]
    assert not row["accepted"]
    assert "limit 2 degrees" in row["reason"]
    left = "side == 'left' and sensor == 'gyro'"
    before, after = (t["metrics"].query(left).set_index(KEY)["value"] for t in (declared, moved))
    np.testing.assert_array_equal(before, after)
