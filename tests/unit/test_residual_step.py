"""Residual analysis from files: planted noise comes back, by signal; who is drawn, who is not."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.estimates import estimates_table
from analysis.models.residual_cutoffs import cutoff_numbers
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.tables.residual_cutoffs import build
from pipeline.extraction.residual_curves import draw_recordings, residual_curves
from pipeline.filtering.signal_kinds import channels_of
from shared.settings.device import DeviceProfile
from shared.tables import empty_table, read_table
from tests.unit import report_study
from tests.unit.extraction_signals import PROCESSING, G

TASK, CONTACT_S, DURATION_S = "single_leg_drop_landing", 3.0, 6.0
PLANTED = {
    "vertical_force": 2.0,
    "waist_acceleration": 0.1,
    "segment_rate": 0.3,
    "camera_angle": 0.5,
}
SET = PROCESSING.filtering


def profile(name: str, rate_hz: float, channels: dict[str, tuple[str, float]]) -> dict:
    content = {
        "device": name,
        "kind": "mixed",
        "description": "files of this test",
        "format": "parquet",
        "rate_hz": rate_hz,
        "time": {"column": "time"},
        "channels": [
            {"channel": channel, "column": channel, "unit": unit, "range": limit, "optional": True}
            for channel, (unit, limit) in channels.items()
        ],
    }
    return DeviceProfile.model_validate(content).model_dump(mode="json")


DEVICES = {
    "body": profile(
        "body",
        500.0,
        {f"vertical_force.{side}": ("N", 9000.0) for side in ("left", "right")}
        | {f"waist_acceleration.{axis}": ("m/s2", 160.0) for axis in "xyz"}
        | {f"{part}_rate.left.z": ("deg/s", 2000.0) for part in ("thigh", "shank")},
    ),
    "camera": profile("camera", 120.0, {"knee_flexion.left": ("deg", 180.0)}),
}


def samples(device: str, rng: np.random.Generator, duration_s: float) -> dict[str, np.ndarray]:
    """Slow movement (a bell of 0.5 s around the contact) with white noise; right: empty plate."""
    rate_hz = DEVICES[device]["rate_hz"]
    time = np.arange(round(duration_s * rate_hz)) / rate_hz
    bell = np.exp(-0.5 * ((time - CONTACT_S - 0.2) / 0.15) ** 2)

    def noisy(kind, size, level=0.0):
        return level + size * bell + rng.normal(scale=PLANTED[kind], size=time.size)

    if device == "camera":
        return {"time": time, "knee_flexion.left": noisy("camera_angle", 60.0)}
    return {
        "time": time,
        "vertical_force.left": noisy("vertical_force", 1500.0, 700.0),
        "vertical_force.right": rng.normal(scale=40.0, size=time.size),
        "waist_acceleration.x": noisy("waist_acceleration", 2.0),
        "waist_acceleration.y": noisy("waist_acceleration", 15.0, G),
        "waist_acceleration.z": noisy("waist_acceleration", -1.0),
        "thigh_rate.left.z": noisy("segment_rate", 150.0),
        "shank_rate.left.z": noisy("segment_rate", -90.0),
    }


class Study:
    """Recordings of a few athletes and the two collected tables that the step reads."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.recordings: list[dict] = []
        self.landings: list[dict] = []
        self.clocks: list[dict] = []

    def add(
        self,
        athlete: int,
        device: str,
        duration_s=DURATION_S,
        usable=True,
        valid=True,
        cut=(),
        clock=1.0,
        flags="",
        lag_s=None,
    ):
        rng = np.random.default_rng([athlete, len(device)])
        trial = {
            "athlete_id": f"A{athlete:04d}",
            "visit": "clearance",
            "task": TASK,
            "side": "left",
            "trial": 1,
        }
        path = f"{athlete}_{device}.parquet"
        frame = pd.DataFrame(samples(device, rng, duration_s))
        frame["time"] = frame["time"] * clock + np.nan_to_num(lag_s or 0.0)
        frame.drop(index=list(cut)).to_parquet(self.root / path)
        name = f"A{athlete:04d}.clearance.{TASK}.left.1.{device}"
        fields = {"recording_id": name, "device": device, "path": path, "usable": usable}
        self.recordings.append(trial | fields)
        if lag_s is not None:
            applied = not np.isnan(lag_s)
            row = {"recording_id": name, "lag_s": lag_s, "applied": applied}
            self.clocks.append(row)
        landing = {"landing": 1, "valid": valid, "initial_contact_s": CONTACT_S, "flags": flags}
        if trial | landing not in self.landings:
            self.landings.append(trial | landing)

    def run(self, **filtering) -> pd.DataFrame:
        pd.DataFrame(self.recordings).to_parquet(self.root / "recordings.parquet")
        pd.DataFrame(self.landings).to_parquet(self.root / "landings.parquet")
        columns = ["recording_id", "lag_s", "applied"]
        clocks = pd.DataFrame(self.clocks, columns=columns)
        clocks.to_parquet(self.root / "synchronisation.parquet")
        content = PROCESSING.model_dump(mode="json")
        content["filtering"] |= filtering
        residual_curves(
            recordings=self.root / "recordings.parquet",
            landings=self.root / "landings.parquet",
            synchronisation=self.root / "synchronisation.parquet",
            residuals=self.root / "residuals.parquet",
            processing=content,
            devices=DEVICES,
            study_folder=str(self.root),
        )
        return read_table(self.root / "residuals.parquet")


@pytest.fixture(scope="module")
def curves(tmp_path_factory):
    study = Study(tmp_path_factory.mktemp("residuals"))
    for athlete in range(6):
        study.add(athlete, "body")
        study.add(athlete, "camera")
    return study.run(waist_acceleration_hz=None)


@pytest.mark.parametrize("kind", PLANTED)
def test_planted_noise_comes_back_in_the_unit_of_the_table(curves, kind):
    """The line gives 0.967 of white noise (closed form, see test_residual_analysis).

    The plate beside the leg is empty and twenty times as noisy: it must not count.
    """
    rows = curves.loc[curves["signal"] == kind]
    assert set(rows["reason"]) == {""}
    assert rows["recordings"].unique() == [6]
    assert rows["tail_intercept"].iloc[0] == pytest.approx(0.967 * PLANTED[kind], rel=0.05)
    assert rows["tail_fall"].iloc[0] == pytest.approx(1.0, abs=0.15)
    # The bell has a Gaussian spectrum, exp(-(2 pi f 0.15)^2 / 2): nothing is left above 8 Hz.
    assert 2.0 < rows["suggested_cutoff_hz"].iloc[0] < 16.0


def test_the_configured_cutoff_stands_beside_it_and_stays_empty_where_none_is_set(curves):
    found = curves.groupby("signal")["configured_cutoff_hz"].first()
    assert found["vertical_force"] == SET.force_hz
    assert found["camera_angle"] == SET.camera_angle_hz
    assert math.isnan(found["waist_acceleration"])


def test_candidates_end_at_a_quarter_of_the_rate_and_the_mean_lies_between_the_quartiles(curves):
    highest = curves.groupby("device")["cutoff_hz"].max()
    assert highest["body"] == pytest.approx(125.0)
    assert highest["camera"] == pytest.approx(30.0)
    inside = curves["residual_lower_quartile"] <= curves["residual_upper_quartile"]
    assert inside.all()
    assert curves.loc[curves["in_tail"], "cutoff_hz"].min() >= 0.3 * 60.0


def test_two_runs_give_the_same_bytes(tmp_path):
    study = Study(tmp_path)
    for athlete in range(2):
        study.add(athlete, "body")
    study.run()
    first = (tmp_path / "residuals.parquet").read_bytes()
    study.run()
    assert (tmp_path / "residuals.parquet").read_bytes() == first


def test_recordings_that_cannot_tell_are_passed_over(tmp_path):
    study = Study(tmp_path)
    study.add(1, "camera")
    study.add(2, "camera", duration_s=3.5)  # ends before 0.75 s after contact
    study.add(3, "camera", cut=range(370, 373))
    study.add(4, "camera", usable=False)
    study.add(5, "camera", valid=False)
    study.add(6, "camera", clock=1.1)  # another rate than declared
    rows = study.run()
    assert rows["recordings"].unique() == [1]
    study.recordings = study.recordings[1:]
    rows = study.run()
    assert rows.empty
    assert list(rows.columns) == list(empty_table("residuals").columns)


def test_a_file_is_read_at_the_contact_as_its_own_clock_shows_it(tmp_path):
    """With the lag of its clock beside it, a file that counts from 50 s gives the same curve."""
    plain, stomped = Study(tmp_path / "plain"), Study(tmp_path / "stomped")
    for study, lag_s in ((plain, None), (stomped, 50.1234)):
        study.root.mkdir()
        study.add(1, "camera", lag_s=lag_s)
    rows = stomped.run()
    assert rows["recordings"].unique() == [1]
    expected = plain.run()["residual_mean"]
    assert rows["residual_mean"].to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-6)
    stomped.add(2, "camera", lag_s=math.nan)  # nobody knows where the contact is in this file
    stomped.add(3, "camera", flags="own_clock")  # timed by a device that is not on its clock
    assert stomped.run()["recordings"].unique() == [1]


def test_recordings_are_drawn_by_their_name_not_by_their_order():
    trials = pd.DataFrame(
        {
            "athlete_id": [f"A{n:04d}" for n in range(20)],
            "visit": "clearance",
            "task": TASK,
            "side": "left",
            "trial": 1,
        }
    )
    recordings = trials.assign(recording_id=trials["athlete_id"], device="body", usable=True)
    landings = trials.assign(landing=1, valid=True, initial_contact_s=3.0, flags="")
    clocks = empty_table("synchronisation")
    first = draw_recordings(recordings, landings, clocks, 5)
    shuffled = landings.sample(frac=1, random_state=1)
    other = draw_recordings(recordings.iloc[::-1], shuffled, clocks, 5)
    assert len(first) == 5
    assert first["recording_id"].tolist() == other["recording_id"].tolist()
    assert first["recording_id"].tolist() != sorted(recordings["recording_id"])[:5]


@pytest.mark.parametrize(
    ("kind", "side", "recorded", "expected"),
    [
        ("vertical_force", "left", ["vertical_force.left", "vertical_force.right"], [0]),
        ("vertical_force", "both", ["vertical_force.left", "vertical_force.right"], [0, 1]),
        ("vertical_force", "right", ["vertical_force.single"], [0]),
        ("segment_rate", "left", ["thigh_rate.left.z", "thigh_rate.left.x"], [0]),
        ("camera_angle", "right", ["knee_flexion.left"], []),
    ],
)
def test_only_channels_that_the_trial_loads_count(kind, side, recorded, expected):
    assert channels_of(kind, side, recorded) == [recorded[place] for place in expected]


def test_estimates_tell_noise_only_where_the_tail_is_noise(curves):
    refused = curves["signal"] == "segment_rate"
    table = curves.copy()
    table.loc[refused, "suggested_cutoff_hz"] = np.nan
    table.loc[refused, ["reason", "detail"]] = ["tail_not_noise", "it still loses signal"]
    found = estimates_table(cutoff_numbers(table)).set_index("number_id")
    force = f"residual_analysis.vertical_force.body.{TASK}"
    rate = f"residual_analysis.segment_rate.body.{TASK}"
    assert found.loc[f"{force}.noise", "estimate"] == pytest.approx(0.967 * 2.0, rel=0.05)
    assert found.loc[f"{force}.noise", "unit"] == "N"
    assert found.loc[f"{force}.configured_cutoff", "estimate"] == SET.force_hz
    assert pd.isna(found.loc[f"{rate}.noise", "estimate"])
    assert pd.isna(found.loc[f"{rate}.suggested_cutoff", "estimate"])
    assert found.loc[f"{rate}.suggested_cutoff", "note"] == "it still loses signal"


def test_the_table_prints_words_where_there_is_no_number():
    table = cutoff_numbers(report_study.residuals())
    settings = (report_study.STUDY, report_study.PROCESSING, report_study.PLAN)
    context = Context(estimates_table(table), *settings)
    rows = build(context, Ledger(context.estimates, "table")).rows
    assert [[str(cell) for cell in row.cells] for row in rows] == [
        ["Vertical force (N)"],
        ["Unit 2: drop vertical jump", "8", "100", "27.3", "1.70", "1.04"],
        ["Segment rate (degrees/s)"],
        ["Unit 2: drop vertical jump", "8", "not filtered", "none", "none", "1.04"],
    ]


def test_without_recordings_the_estimates_say_so():
    found = estimates_table(cutoff_numbers(empty_table("residuals")))
    assert found["quantity"].tolist() == ["not_run"]
    assert "no valid landing" in found["note"].iloc[0]
