"""BIDS Motion as its standard has it, read by both paths, and what a run depends on.

The layout of `EXAMPLE` is that of the example in the standard (Brain Imaging Data Structure,
chapter Motion: accelerometer and gyroscope of one tracked point, no line of names).
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.audit.check.finding import Files
from analysis.audit.check.raw import raw_files
from analysis.audit.raw_files import read_signals
from analysis.audit.recording_level import raw_state
from analysis.audit.study_folder import StudyFolder
from pipeline.readers.read import read_header, read_recording
from shared.layout import companions_of
from shared.settings.device import DeviceProfile
from shared.workflow import Study
from tests.known_answers.closed_study import plan, write_closed_study
from tests.rejects.bad_bids_motion import with_bids_motion
from tests.rejects.small_study import SmallStudy
from tests.tiny_study.extracted import extract

EXAMPLE = """\
name\tcomponent\ttype\ttracked_point\tunits\treference_frame
t1_acc_x\tx\tACCEL\tPelvis\tm/s^2\tlocal
t1_acc_y\ty\tACCEL\tPelvis\tm/s^2\tlocal
t1_acc_z\tz\tACCEL\tPelvis\tm/s^2\tlocal
t1_gyro_z\tz\tGYRO\tLeftShank\trad/s\tlocal
t1_clock\tn/a\tLATENCY\tn/a\ts\tn/a
"""
RATE, SAMPLES = 102.4, 300
PROFILE = {
    "device": "units",
    "kind": "wearables",
    "description": "invented",
    "format": "bids_motion",
    "rate_hz": RATE,
    "channels": [
        *(
            {"channel": f"waist_acceleration.{axis}", "column": f"t1_acc_{axis}",
             "unit": "m/s^2", "range": 160}
            for axis in "xyz"
        ),
        {"channel": "shank_rate.left.z", "column": "t1_gyro_z", "unit": "rad/s", "sign": -1,
         "range": 35},
    ],
}  # fmt: skip


def written(folder: Path, sidecar: dict, *, missing: bool = False) -> tuple[Path, pd.DataFrame]:
    names = [line.split("\t")[0] for line in EXAMPLE.splitlines()[1:]]
    random = np.random.default_rng(3)
    table = pd.DataFrame(random.normal(size=(SAMPLES, len(names))), columns=names)
    table["t1_acc_y"] += 9.8
    table["t1_clock"] = np.arange(SAMPLES) / RATE
    if missing:
        table.loc[7, "t1_gyro_z"] = np.nan
    path = folder / "sub-A0001_task-landing_tracksys-imu_run-1_motion.tsv"
    table.to_csv(path, sep="\t", header=False, index=False, na_rep="n/a")
    channels, beside = companions_of(path)
    channels.write_text(EXAMPLE)
    beside.write_text(json.dumps({"TaskName": "landing"} | sidecar))
    return path, table


@pytest.mark.parametrize("by_latency", [False, True])
def test_both_paths_read_the_same_si_values(tmp_path, by_latency):
    path, table = written(tmp_path, {"SamplingFrequency": RATE})
    time = {"time": {"column": "t1_clock"}} if by_latency else {}
    profile = DeviceProfile.model_validate(PROFILE | time)
    recording = read_recording(path, profile)
    assert recording.problems == ()
    assert recording.samples == SAMPLES
    assert recording.rate_hz == pytest.approx(RATE)
    np.testing.assert_array_equal(recording.channels["waist_acceleration.y"], table["t1_acc_y"])
    np.testing.assert_array_equal(recording.channels["shank_rate.left.z"], -table["t1_gyro_z"])
    other = read_signals(path, profile, ("waist", "shank"))
    assert other.rate_hz == pytest.approx(RATE)
    for name, values in recording.channels.items():
        np.testing.assert_allclose(other.channels[name], values, rtol=1e-15)


def test_the_effective_rate_is_the_one_that_counts(tmp_path):
    rates = {"SamplingFrequency": RATE, "SamplingFrequencyEffective": 102.37}
    recording = read_recording(written(tmp_path, rates)[0], DeviceProfile.model_validate(PROFILE))
    assert recording.rate_hz == pytest.approx(102.37)
    nominal = {"SamplingFrequency": RATE, "SamplingFrequencyEffective": "n/a"}
    recording = read_recording(written(tmp_path, nominal)[0], DeviceProfile.model_validate(PROFILE))
    assert recording.rate_hz == pytest.approx(RATE)


def test_a_missing_sample_is_told(tmp_path):
    path, _ = written(tmp_path, {"SamplingFrequency": RATE}, missing=True)
    recording = read_recording(path, DeviceProfile.model_validate(PROFILE))
    assert [problem.rule for problem in recording.problems] == ["empty_cell"]
    assert np.flatnonzero(np.isnan(recording.channels["shank_rate.left.z"])).tolist() == [7]
    assert recording.problems[0].row == 8


def test_the_header_holds_units_and_texts(tmp_path):
    path, _ = written(tmp_path, {"SamplingFrequency": RATE, "Manufacturer": "n/a"})
    header = read_header(path, DeviceProfile.model_validate(PROFILE))
    assert header.columns[:2] == ("t1_acc_x", "t1_acc_y")
    assert header.units["t1_gyro_z"] == "rad/s"
    texts = {text for _, text in header.text}
    assert {"Pelvis", "LeftShank", "landing"} <= texts


def test_a_run_depends_on_the_files_beside_the_samples(tmp_path):
    study = SmallStudy(tmp_path)
    with_bids_motion(study)
    work = Study(study.settings())
    raw = [Path(file).name for name in work.shards for file in work.raw_of(name)]
    recordings = [name for name in raw if name.endswith("_motion.tsv")]
    assert len(recordings) == 7  # four trials, three calibrations
    for name in recordings:
        for companion in companions_of(Path(name)):
            assert companion.name in raw


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    settings = write_closed_study(
        tmp_path_factory.mktemp("measured"),
        1000.0,
        plan({"clean": 1})[:2],
        file_format="bids_motion",
    )
    return settings, extract(settings, settings.results_folder)


def test_one_hash_stands_for_the_samples_and_what_is_beside_them(measured):
    """By hand: the hash of the three hashes, one per line."""
    settings, tables = measured
    seen = 0
    for name in ("recordings", "calibrations"):
        for path, noted in tables[name][["path", "sha256"]].itertuples(index=False):
            file = settings.study_folder / path
            files = (file, *companions_of(file))
            lines = [hashlib.sha256(one.read_bytes()).hexdigest() for one in files]
            assert noted == hashlib.sha256("\n".join(lines).encode()).hexdigest()
            seen += 1
    assert seen > 2


@pytest.mark.parametrize("companion", [0, 1])
@pytest.mark.parametrize("lost", [False, True])
@pytest.mark.parametrize("table", ["recordings", "calibrations"])
def test_the_check_finds_a_changed_file_beside_the_samples(measured, companion, lost, table):
    settings, tables = measured
    study = StudyFolder(settings.results_folder, settings.folder)
    assert list(raw_files(Files(study))) == []
    row = tables[table].iloc[0]
    path = row["path"]
    beside = companions_of(settings.study_folder / path)[companion]
    before = beside.read_bytes()
    try:
        if lost:
            beside.unlink()
        else:
            beside.write_bytes(before + b"\n")  # a byte that changes no value
        assert {x.place for x in raw_files(Files(study))} == {f"raw file {path}"}
        assert "CHANGED" in raw_state(study, row)
    finally:
        beside.write_bytes(before)
