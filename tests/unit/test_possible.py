"""What a sensor cannot give cannot come into the tables, whatever the code before does."""

import pandas as pd
import pytest

from pipeline.quality.possible import require_possible
from shared.tables import TableError, empty_table
from tests.unit import extraction_signals as made
from tests.unit.extraction_signals import measure, plates, rows_of, times, trial, wearables


def value(metric, sensor, side, task="drop_vertical_jump", of_trial="both", landing=1):
    return {
        "landing_id": f"A0001.clearance.{task}.{of_trial}.1.{side}.{landing}",
        "task": task,
        "landing": landing,
        "side": side,
        "metric": metric,
        "sensor": sensor,
    }


def test_what_is_measured_is_possible():
    force = made.drop_jump_force(times())
    halves = plates({"left": 0.6, "right": 0.4}, force)
    jump = trial("drop_vertical_jump", "both", halves, wearables(force, ("left", "right")))
    force = made.drop_force(times())
    drop = trial("single_leg_drop_landing", "left", plates({"single": 1.0}, force), number=2)
    rows = rows_of(measure(jump, drop))["metrics"]
    assert {"left", "right", "both"} <= set(rows["side"])
    require_possible(rows)


def test_a_study_without_a_landing_is_possible():
    require_possible(empty_table("metrics"))


@pytest.mark.parametrize(
    "impossible",
    [
        # a unit at the waist is one for both legs (DOMAIN 1.2)
        value("peak_waist_acceleration", "waist", "left"),
        value("peak_waist_acceleration", "reference_accelerometer", "right"),
        value("flight_time", "waist", "left", landing=2),
        # the centre of mass is that of the whole body
        value("negative_work", "plate", "left"),
        # flight-time height needs equal heights at take-off and landing (DOMAIN 1.1)
        value("jump_height_from_flight_time", "plate", "both", task="box_jump"),
        value("flight_time", "plate", "both", landing=1),
        # a force belongs to a plate
        value("peak_vgrf", "waist", "left", "single_leg_drop_landing", "left"),
        value("knee_moment", "gyro", "left"),
    ],
    ids=lambda row: f"{row['metric']}-{row['sensor']}-{row['side']}",
)
def test_the_impossible_is_refused(impossible):
    with pytest.raises(TableError, match="not in the metric dictionary"):
        require_possible(pd.DataFrame([impossible]))
