"""A study with planted errors of its units, calibrated on the bench, measures what a true one does.

Closed-form trials through the real steps, twice: once as they are, once with a wrong scale, cross
axes and bias of the waist unit and a wrong gain of the gyroscopes, and with bench recordings of the
same unit. Every metric must come out the same.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.calibration.accelerometer import DIRECTIONS, POSITIONS
from tests.known_answers.closed_study import (
    CONDITIONS,
    columns_of,
    plan,
    write_closed_study,
    write_file,
)
from tests.known_answers.error_table import NATIVE
from tests.tiny_study.extracted import extract

RATE = 500.0
SCALE = np.array([[1.03, 0.01, -0.02], [0.0, 0.97, 0.015], [0.012, -0.01, 1.02]])
BIAS_G = np.array([0.04, -0.03, 0.02])
GAIN = 1.03
KEY = ["landing_id", "metric", "sensor"]
WAIST = [f"waist_{axis}_g" for axis in "xyz"]


def as_read(columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """What the wrong unit makes of the true signals."""
    readings = SCALE @ np.stack([columns[name] for name in WAIST]) + BIAS_G[:, None]
    rates = {name: GAIN * v + 0.4 for name, v in columns.items() if name.endswith("deg_s")}
    return columns | dict(zip(WAIST, readings, strict=True)) | rates


def write_bench(folder) -> None:
    """Add six orientations and a turn of the unit, and the age of both at the visit."""
    rows = []
    still = columns_of(None, RATE, CONDITIONS["clean"], np.random.default_rng(0))
    for position, up in zip(POSITIONS, DIRECTIONS, strict=True):
        size = len(still["time_s"])
        pose = {
            f"{unit}_{axis}_g": np.full(size, up[i])
            for unit in ("waist", "reference")
            for i, axis in enumerate("xyz")
        }
        write_file(as_read(still | pose), folder / f"bench/{position}.csv")
        rows.append(("six_orientations", position, "", f"bench/{position}.csv"))
    inside = np.clip((still["time_s"] - 1.0) / 4.0, 0.0, 1.0)
    turn = 360.0 / 4.0 * (1.0 - np.cos(2.0 * np.pi * inside))
    turned = {name: turn for name in still if name.endswith("deg_s")}
    write_file(as_read(still | turned), folder / "bench/turn.csv")
    rows.append(("known_rotation", "z", "360", "bench/turn.csv"))
    table = pd.DataFrame(rows, columns=["kind", "position", "known_value", "path"])
    table.insert(0, "unit_code", "bench-1")
    table.insert(1, "device", "bench_clean")
    table.to_csv(folder / "unit_calibrations.csv", index=False)


def with_age(folder, days: float) -> None:
    table = pd.read_csv(folder / "calibrations.csv")
    table["unit_calibration_age_days"] = days
    table.to_csv(folder / "calibrations.csv", index=False)


def measured(folder, change=dict, age: float | None = None) -> dict[str, pd.DataFrame]:
    settings = write_closed_study(
        folder, RATE, plan({"clean": 1}), processing=NATIVE, change=change
    )
    if age is not None:
        write_bench(settings.study_folder)
        with_age(settings.study_folder, age)
    return extract(settings, settings.results_folder)


def values(tables) -> pd.Series:
    return tables["metrics"].set_index(KEY)["value"].astype(float)


@pytest.fixture(scope="module")
def true(tmp_path_factory):
    return measured(tmp_path_factory.mktemp("true"))


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory):
    return measured(tmp_path_factory.mktemp("calibrated"), as_read, 30.0)


def test_calibrated_units_measure_what_true_units_do(true, calibrated):
    expected = values(true)
    assert expected.index.get_level_values("sensor").isin(["waist", "gyro"]).sum() > 20
    pd.testing.assert_series_equal(
        values(calibrated), expected, check_exact=False, rtol=1e-6, atol=1e-7
    )


def test_what_was_applied_is_recorded_and_traced(calibrated):
    table = calibrated["unit_calibrations"].set_index(["location", "quantity"])
    assert table["accepted"].all()
    assert table.loc[("thigh.left", "gain_z"), "value"] == pytest.approx(GAIN, rel=1e-9)
    rows = calibrated["calibrations"].set_index("location")
    assert rows.loc["waist", "bench"] == "applied"
    assert rows.loc["thigh.left", "bench"] == "applied"
    assert rows.loc["plate.left", "bench"] == "none"
    assert rows.loc["thigh.left", "knee_zero_source"] == "standing"
    assert rows.loc["knee.left", "knee_zero_source"] == "measured"
    sources = calibrated["metric_sources"]
    used = sources[sources["role"] == "calibration"]
    by_sensor = used.groupby("sensor")["recording_id"].agg(set)
    assert "bench-1.bench_clean.six_orientations" in by_sensor["waist"]
    assert "bench-1.bench_clean.known_rotation" in by_sensor["gyro"]


def test_an_old_calibration_is_not_applied(tmp_path, true):
    old = measured(tmp_path, as_read, 400.0)
    rows = old["calibrations"].set_index("location")
    assert rows.loc["waist", "bench"] == "expired"
    assert "400 days old, limit 365 days" in rows.loc["waist", "bench_detail"]
    peaks = [values(t).xs("peak_waist_acceleration", level="metric") for t in (old, true)]
    assert (np.abs(peaks[0] / peaks[1] - 1.0) > 0.005).any()


def with_session_end(folder) -> None:
    """Let the biases drift through the session, and add quiet standing at its end."""
    recordings = pd.read_csv(folder / "recordings.csv")
    recordings["order_in_session"] = range(1, len(recordings) + 1)
    recordings.to_csv(folder / "recordings.csv", index=False)
    calibrations = pd.read_csv(folder / "calibrations.csv").assign(kind="standing")
    end = calibrations.assign(kind="standing_end", path="standing/end.csv")
    pd.concat([calibrations, end]).to_csv(folder / "calibrations.csv", index=False)
    still = columns_of(None, RATE, CONDITIONS["clean"], np.random.default_rng(0))
    write_file(still, folder / "standing/end.csv")
    paths = [calibrations["path"][0], *recordings["path"], "standing/end.csv"]
    for number, path in enumerate(paths):
        share = number / (len(paths) - 1)
        columns = pd.read_csv(folder / path)
        rates = [name for name in columns if name.endswith("deg_s")]
        columns[rates] += 0.2 + 0.6 * share
        plates = [name for name in columns if name.startswith("force_left")]
        columns[plates] += 7.0 * share
        columns.to_csv(folder / path, index=False)


def test_the_end_of_the_session_is_read_recorded_and_traced(tmp_path, true):
    settings = write_closed_study(tmp_path, RATE, plan({"clean": 1}), processing=NATIVE)
    with_session_end(settings.study_folder)
    tables = extract(settings, settings.results_folder)
    rows = tables["calibrations"].set_index(["kind", "location"])
    end = rows.loc[("standing_end", "thigh.left")]
    assert np.degrees(end["change"]) == pytest.approx(0.6, abs=1e-6)
    assert end["accepted"]
    assert "changed by 7.0 N" in rows.loc[("standing_end", "plate.left"), "reason"]
    assert rows.loc[("standing", "plate.left"), "stance_share"] == pytest.approx(0.5)
    reasons = set(tables["exclusions"].query("level == 'calibration'")["reason"])
    assert reasons == {"plate_zero_drift"}
    metrics = tables["metrics"]
    plates = metrics[(metrics["sensor"] == "plate")]
    assert plates["flags"].str.contains("plate_zero_drift").all()
    assert plates.loc[plates["value"].notna(), "valid"].any()  # a flag, not an exclusion
    used = tables["metric_sources"].query("sensor == 'gyro' and role == 'calibration'")
    assert any("standing_end" in name for name in used["recording_id"])
    pd.testing.assert_series_equal(
        values(tables), values(true), check_exact=False, rtol=1e-6, atol=1e-7
    )
