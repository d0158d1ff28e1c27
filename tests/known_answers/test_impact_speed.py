"""Impact speed as a predictor of force: which landings fall from a box, and closed forms."""

import numpy as np
import pandas as pd
import pytest

from analysis.force_model.impact_speed import log_impact_speed, speed_of_fall
from analysis.force_model.landings import SCOPES, force_landings, inputs_of, situations
from analysis.models.force_ladder import climb
from analysis.models.force_output import estimated_forces
from tests.unit import force_study as study


def _rows(*rows):
    return pd.DataFrame(rows, columns=["task", "landing", "box_height_m", "flight_s"])


def test_speed_of_a_fall():
    # sqrt(2 g h) = g t with t = 0.247352 s from 0.30 m, as a table of closed forms gives it.
    assert speed_of_fall(0.30) == pytest.approx(9.80665 * 0.247352, rel=1e-6)


def test_a_box_tells_the_fall_only_where_the_landing_ends_it():
    found = np.exp(
        log_impact_speed(
            _rows(
                ("drop_vertical_jump", 1, 0.6, np.nan),  # off the box
                ("drop_vertical_jump", 2, 0.6, 0.5),  # after the jump: the box says nothing
                ("countermovement_jump", 1, np.nan, 0.5),
                ("box_jump", 1, 0.6, np.nan),  # onto the box: neither
                ("countermovement_jump", 1, np.nan, np.nan),
                ("single_leg_drop_landing", 1, np.nan, np.nan),
            )
        )
    ) * speed_of_fall(0.3)
    flight = 9.80665 * 0.5 / 2.0
    typical = speed_of_fall(0.3)
    expected = [speed_of_fall(0.6), flight, flight, typical, typical, typical]
    assert found == pytest.approx(expected, rel=1e-12)


def test_force_that_follows_the_flight_is_better_estimated_with_it():
    # Force grows with impact speed and not with the peak alone: rows carry the flight of the jump.
    values, landings, athletes = study.tables()
    random = np.random.default_rng(8)
    jumps = values.loc[values["task"] == "countermovement_jump"].copy()
    names = jumps["landing_id"].unique()
    flight = pd.Series(random.uniform(0.35, 0.65, names.size), index=names)
    plate = jumps["sensor"] == "plate"
    jumps.loc[plate, "value"] *= (flight / 0.5)[jumps.loc[plate, "landing_id"]].to_numpy()
    flights = jumps.loc[~plate].assign(
        metric="flight_time", value=flight[jumps.loc[~plate, "landing_id"]].to_numpy()
    )
    flights["censoring"] = "none"
    # A tenth has no flight time, so that it is no waist metric of all landings.
    flights = flights.iloc[np.arange(len(flights)) % 10 != 0]
    scope = SCOPES[1]
    errors = []
    for table in (jumps, pd.concat([jumps, flights], ignore_index=True)):
        rows = force_landings(table, landings, athletes, study.TASKS, scope, 0.95)
        assert "flight_time" not in rows.columns
        settings = study.SETTINGS | {"models": ["log_log", "log_log_covariates"]}
        ladder = climb(scope, rows, settings, 0.95)
        errors.append(ladder.validations[0].errors()["log_log_covariates"][0])
    assert errors[1] < 0.85 * errors[0]


def test_a_task_whose_every_landing_is_clipped_moves_no_column():
    # It trains nothing and has no estimate; the other tasks' columns stay what they were.
    values, _, athletes = study.tables()
    jumps = values.loc[values["task"] == "countermovement_jump"]
    extra = jumps.assign(
        task="box_jump",
        landing_id=jumps["landing_id"].str.replace("countermovement_jump", "box_jump"),
        censoring=np.where(jumps["sensor"] == "waist", "right", "none"),
    )
    table = pd.concat([jumps, extra], ignore_index=True)
    boxes = pd.DataFrame({"landing_id": table["landing_id"].unique(), "box_height_m": np.nan})
    scope, settings = SCOPES[1], study.SETTINGS | {"models": ["log_log_covariates"]}
    found = []
    for part in (jumps, table):
        rows = force_landings(part, boxes, athletes, study.TASKS, scope, 0.95)
        ladder = climb(scope, rows, settings, 0.95)
        forces = estimated_forces(rows, ladder, settings, study.TASKS)
        found.append(forces.set_index("landing_id")["vgrf_estimated_bw"])
    assert found[0].to_numpy() == pytest.approx(found[1][found[0].index].to_numpy(), rel=1e-9)
    assert set(situations(rows)) == {"box_jump.1", "countermovement_jump.1"}
    assert inputs_of(rows, ladder.levels).context_names[0] == "countermovement_jump.1"
