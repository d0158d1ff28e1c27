"""Bench recordings through the real step: what is planted is found, what is bad is refused.

Closed forms: readings are computed from planted scale, bias, gain and known weights.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.calibration.accelerometer import DIRECTIONS, POSITIONS
from pipeline.extraction.bench import calibrate_units
from pipeline.extraction.units import read_unit_tables, unit_at_visit
from shared.schemas import schema_of
from shared.settings.device import DeviceProfile
from shared.tables import read_table, write_table
from tests.unit.extraction_signals import PROCESSING

G = PROCESSING.standard_gravity
RATE = 100.0
SCALE = np.array([[1.02, 0.0, 0.0], [0.013, 0.97, 0.0], [-0.008, 0.006, 1.01]])
BIAS = np.array([0.31, -0.22, 0.15])
WORN = [f"waist_acceleration.{axis}" for axis in "xyz"]
RATES = [f"{place}_rate.left.{axis}" for place in ("thigh", "shank") for axis in "xyz"]


def profile(name: str, channels: dict[str, tuple[str, float]]) -> dict:
    content = {
        "device": name,
        "kind": "mixed",
        "description": "bench",
        "format": "parquet",
        "rate_hz": RATE,
        "time": {"column": "time"},
        "channels": [
            {"channel": channel, "column": channel, "unit": unit, "range": limit}
            for channel, (unit, limit) in channels.items()
        ],
    }
    return DeviceProfile.model_validate(content).model_dump(mode="json")


DEVICES = {
    "set": profile(
        "set", dict.fromkeys(WORN, ("m/s2", 160.0)) | dict.fromkeys(RATES, ("rad/s", 40.0))
    ),
    "plates": profile(
        "plates", {f"vertical_force.{side}": ("N", 9000.0) for side in ("left", "right")}
    ),
}


class Bench:
    """A study folder with bench recordings; `run` gives the table of calibrations."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.rows: list[tuple] = []

    def add(self, unit, device, kind, position, value, columns, usable=True):
        path = f"{unit}_{kind}_{len(self.rows)}.parquet"
        samples = len(next(iter(columns.values())))
        pd.DataFrame({"time": np.arange(samples) / RATE} | columns).to_parquet(self.root / path)
        detail = "" if usable else "no such file"
        self.rows.append(
            (unit, device, kind, position, value, path, usable, "" if usable else "x", detail)
        )

    def pose(self, unit, kind, position, reading, noise=0.002, usable=True):
        rng = np.random.default_rng(len(self.rows))
        samples = reading[:, None] + rng.normal(0.0, noise, (3, 300))
        columns = dict(zip(WORN, samples, strict=True)) | dict.fromkeys(RATES, np.zeros(300))
        self.add(unit, "set", kind, position, None, columns, usable)

    def run(self) -> Path:
        names = schema_of("unit_calibration_index").names
        index = pd.DataFrame(self.rows, columns=names).astype({"known_value": "float64"})
        index["usable"] = index["usable"].astype(bool)
        write_table(index, self.root / "index.parquet", "unit_calibration_index")
        out = self.root / "unit_calibrations.parquet"
        calibrate_units(
            unit_calibration_index=self.root / "index.parquet",
            unit_calibrations=out,
            processing=PROCESSING.model_dump(mode="json"),
            devices=DEVICES,
            study_folder=str(self.root),
        )
        return out


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def readings(directions: np.ndarray) -> np.ndarray:
    return G * directions @ SCALE.T + BIAS


def six(bench: Bench, unit: str = "set-1", **changes) -> None:
    for position, reading in zip(POSITIONS, readings(DIRECTIONS), strict=True):
        bench.pose(unit, "six_orientations", position, reading, **changes.get(position, {}))


def reason_of(path: Path) -> str:
    table = read_table(path)
    assert not table["accepted"].any()
    assert (table["quantity"] == "").all()
    return str(table["reason"].iloc[0])


def test_a_study_without_bench_recordings_gets_an_empty_table(bench):
    assert read_table(bench.run()).empty


def test_six_orientations_are_found_and_apply_until_they_expire(bench):
    six(bench)
    path = bench.run()
    tables = read_unit_tables(path)
    limits = PROCESSING.calibration
    unit = unit_at_visit(tables["set-1", "set"], 30.0, limits)
    assert unit.verdict("waist").word == "applied"
    found = unit.accelerometers["waist"]
    np.testing.assert_allclose(found.scale, SCALE, atol=1e-4)  # 0.002 m/s² of noise, 100 samples
    np.testing.assert_allclose(found.bias, BIAS, atol=1e-3)
    table = read_table(path).set_index("quantity")
    assert table.loc["residual", "value"] < 0.1
    assert set(table["files"]) == {6}
    for age, words in ((366.0, "366 days old, limit 365"), (None, "age of the bench calibration")):
        refused = unit_at_visit(tables["set-1", "set"], age, limits)
        assert refused.accelerometers == {}
        assert words in refused.verdict("waist").detail
    assert unit_at_visit(None, 30.0, limits).verdict("waist").word == "none"


def test_a_position_that_the_recording_contradicts_is_refused(bench):
    for position, reading in zip(POSITIONS, readings(DIRECTIONS), strict=True):
        named = {"x_up": "y_up", "y_up": "x_up"}.get(position, position)
        bench.pose("set-1", "six_orientations", named, reading)
    reason = reason_of(bench.run())
    assert "x_up: the recording shows y_up" in reason
    assert "y_up: the recording shows x_up" in reason


def test_a_pose_that_is_not_static_is_refused(bench):
    six(bench, y_up={"noise": 0.5})
    assert "y_up: the pose is not static: an axis varies by 0." in reason_of(bench.run())


def test_an_orientation_whose_file_is_missing_is_refused(bench):
    six(bench, z_down={"usable": False})
    assert "a recording (z_down) cannot be used: no such file" in reason_of(bench.run())


def test_an_axis_without_readings_in_one_orientation_is_refused(bench):
    for position, reading in zip(POSITIONS, readings(DIRECTIONS), strict=True):
        empty = np.array([np.nan, 1.0, 1.0]) if position == "z_down" else np.ones(3)
        bench.pose("set-1", "six_orientations", position, reading * empty)
    reason = reason_of(bench.run())
    assert reason == "z_down: an axis has no reading in the whole recording"


def test_an_accelerometer_that_never_reads_is_refused(bench):
    six_empty = np.full((6, 3), np.nan)
    for position, reading in zip(POSITIONS, six_empty, strict=True):
        bench.pose("set-1", "six_orientations", position, reading)
    assert reason_of(bench.run()).startswith("x_down: an axis has no reading")


def test_a_residual_beyond_the_limit_is_kept_and_not_applied(bench):
    tilted = DIRECTIONS.copy()
    tilt = np.radians(4.0)
    tilted[0] = [np.cos(tilt), np.sin(tilt), 0.0]
    for position, reading in zip(POSITIONS, readings(tilted), strict=True):
        bench.pose("set-1", "six_orientations", position, reading)
    path = bench.run()
    table = read_table(path)
    assert not table["accepted"].any()
    assert "limit 5 mg" in table["reason"].iloc[0]
    residual = table.set_index("quantity").loc["residual", "value"]
    assert residual > 5.0
    unit = unit_at_visit(read_unit_tables(path)["set-1", "set"], 10.0, PROCESSING.calibration)
    assert (unit.accelerometers, unit.verdict("waist").word) == ({}, "refused")


def poses_by_hand(count: int) -> np.ndarray:
    directions = np.random.default_rng(8).normal(size=(count, 3))
    return directions / np.linalg.norm(directions, axis=1)[:, None]


def test_poses_by_hand(bench):
    for reading in readings(poses_by_hand(20)):
        bench.pose("set-2", "static_poses", "", reading)
    table = read_table(bench.run()).set_index("quantity")
    assert table["accepted"].all()
    scale = [[table.loc[f"scale_{row}{column}", "value"] for column in "xyz"] for row in "xyz"]
    np.testing.assert_allclose(scale, SCALE, atol=3e-4)


def test_poses_by_hand_that_are_few_or_in_one_plane_are_refused(bench):
    turns = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    flat = np.stack([np.cos(turns), np.sin(turns), np.zeros(12)], axis=1)
    for reading in readings(flat):
        bench.pose("set-2", "static_poses", "", reading)
    for number, reading in enumerate(readings(poses_by_hand(10))):
        bench.pose("set-3", "static_poses", "", reading, noise=0.5 if number < 2 else 0.002)
    table = read_table(bench.run()).drop_duplicates("unit_code").set_index("unit_code")
    assert "the poses do not spread" in table.loc["set-2", "reason"]
    assert "8 usable poses, at least 9 are needed" in table.loc["set-3", "reason"]
    assert "not static" in table.loc["set-3", "reason"]


def turn(angle_deg: float, gain: float) -> np.ndarray:
    time = np.arange(601) / RATE
    inside = np.clip((time - 1.0) / 4.0, 0.0, 1.0)
    return gain * np.radians(angle_deg) / 4.0 * (1.0 - np.cos(2.0 * np.pi * inside)) + 0.01


def lying(samples: int) -> dict[str, np.ndarray]:
    return {name: np.full(samples, G if name.endswith("z") else 0.0) for name in WORN}


def test_known_rotations_give_the_gains_of_the_units_that_turned(bench):
    still = np.full(601, 0.01)
    for axis, gain in (("x", 1.01), ("y", 0.99), ("z", 1.02)):
        rates = (
            dict.fromkeys(RATES, still)
            | lying(601)
            | {f"thigh_rate.left.{axis}": turn(360.0, gain)}
        )
        bench.add("set-1", "set", "known_rotation", axis, 360.0, rates)
    path = bench.run()
    unit = unit_at_visit(read_unit_tables(path)["set-1", "set"], 1.0, PROCESSING.calibration)
    assert unit.gains == {"thigh.left": pytest.approx((1.01, 0.99, 1.02))}


def test_a_turn_without_rest_is_refused(bench):
    moving = turn(360.0, 1.0)[200:]
    rates = dict.fromkeys(RATES, np.zeros(401)) | lying(401) | {"thigh_rate.left.z": moving}
    bench.add("set-1", "set", "known_rotation", "z", 360.0, rates)
    table = read_table(bench.run()).set_index("location")
    assert "no rest at the start of the turn" in table.loc["thigh.left", "reason"]


def load(bench: Bench, side: str, mass: float, gain: float, zero: float = 0.0) -> None:
    force = np.concatenate([np.zeros(200), np.full(300, mass * G)]) * gain + zero
    other = {"left": "right", "right": "left"}[side]
    columns = {f"vertical_force.{side}": force, f"vertical_force.{other}": np.zeros(500)}
    bench.add("plates-1", "plates", "plate_load", side, mass, columns)


def test_known_masses_show_gains_and_the_mismatch_of_two_plates(bench):
    for mass in (10.0, 20.0, 40.0):
        load(bench, "left", mass, 1.003, 2.0)
        load(bench, "right", mass, 0.996)
    path = bench.run()
    table = read_table(path).set_index(["location", "quantity"])
    assert table.loc[("plate.left", "gain"), "value"] == pytest.approx(1.003)
    assert table.loc[("plate.left", "zero"), "value"] == pytest.approx(2.0)
    assert table.loc[("plate.left", "gain"), "accepted"]
    assert table.loc[("plate", "gain_mismatch"), "value"] == pytest.approx(1.003 / 0.996 - 1.0)
    assert "+0.70%" in table.loc[("plate", "gain_mismatch"), "reason"]
    unit = unit_at_visit(read_unit_tables(path)["plates-1", "plates"], 5.0, PROCESSING.calibration)
    assert unit.plates_off
    assert unit.verdict("plate.left").word == "checked"


def test_one_load_is_no_check(bench):
    load(bench, "left", 20.0, 1.1)
    path = bench.run()
    assert "two loads at least" in reason_of(path)
    unit = unit_at_visit(read_unit_tables(path)["plates-1", "plates"], 5.0, PROCESSING.calibration)
    assert not unit.plates_off
