"""What the reader finds in the samples themselves: each fault planted at a known sample."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.readers.checks import FLAG_OF_RULE, find_gaps, usual_step
from pipeline.readers.read import read_recording
from pipeline.readers.recording import Gap, Recording
from shared.errors import Problem, StudyError
from shared.settings.device import DeviceProfile

RATE = 200.0


def profile(**changes: object) -> DeviceProfile:
    waist = [
        {"channel": f"waist_acceleration.{axis}", "column": f"a{axis}", "unit": "g", "range": 16}
        for axis in "xyz"
    ]
    content = {
        "device": "invented",
        "kind": "wearables",
        "description": "invented",
        "format": "csv",
        "csv": {},
        "rate_hz": RATE,
        "time": {"column": "time"},
        "channels": waist,
    }
    return DeviceProfile.model_validate(content | changes)


def standing(samples: int = 300) -> pd.DataFrame:
    time = np.arange(samples) / RATE
    return pd.DataFrame({"time": time, "ax": 0.0, "ay": 1.0, "az": 0.02 * np.sin(time)})


def read(table: pd.DataFrame, folder: Path, device: DeviceProfile | None = None) -> Recording:
    path = folder / "recording.csv"
    table.to_csv(path, index=False)
    return read_recording(path, device or profile(), "raw/recording.csv")


def only(problems: tuple[Problem, ...]) -> Problem:
    assert len(problems) == 1, [problem.render() for problem in problems]
    return problems[0]


def test_clean_standing_has_no_problem(tmp_path: Path) -> None:
    assert read(standing(), tmp_path).problems == ()


def test_gap_is_found_with_its_sample_and_length(tmp_path: Path) -> None:
    recording = read(standing().drop(index=[100, 101, 102, 200]), tmp_path)
    assert recording.gaps == (Gap(99, 3), Gap(196, 1))
    problem = only(recording.problems)
    assert (problem.rule, problem.row) == ("gap_in_time", 102)
    assert "3 samples missing after sample 99" in problem.found
    assert recording.rate_hz == pytest.approx(RATE)


def test_jitter_of_a_third_of_a_step_is_no_gap() -> None:
    random = np.random.default_rng(1)
    time = np.arange(2000) / RATE + random.uniform(-1 / 6, 1 / 6, 2000) / RATE
    step = usual_step(time)
    assert step == pytest.approx(1 / RATE, rel=1e-3)
    assert find_gaps(time, step) == ()


def test_empty_cell_is_named_by_row_and_column(tmp_path: Path) -> None:
    table = standing()
    table.loc[50:52, "ay"] = np.nan
    recording = read(table, tmp_path)
    problem = only(recording.problems)
    assert (problem.rule, problem.row, problem.column) == ("empty_cell", 52, "ay")
    assert "3 cells, first at sample 50" in problem.found
    assert np.isnan(recording.channels["waist_acceleration.y"][50:53]).all()


def test_column_without_any_number_is_one_problem(tmp_path: Path) -> None:
    problem = only(read(standing().assign(ay=np.nan), tmp_path).problems)
    assert (problem.rule, problem.row) == ("empty_cell", 2)
    assert "300 cells" in problem.found


def test_value_beyond_the_range_is_given_in_the_unit_of_the_file(tmp_path: Path) -> None:
    table = standing()
    table.loc[7, "az"] = -17.5
    problem = only(read(table, tmp_path).problems)
    assert (problem.rule, problem.row, problem.column) == ("value_beyond_range", 9, "az")
    assert problem.found.startswith("-17.5 g at sample 7")


def test_full_scale_itself_is_clipping_and_not_beyond(tmp_path: Path) -> None:
    table = standing()
    table.loc[7:9, "az"] = 16.0
    assert read(table, tmp_path).problems == ()


def test_rate_that_contradicts_the_profile(tmp_path: Path) -> None:
    recording = read(standing(), tmp_path, profile(rate_hz=100))
    problem = only(recording.problems)
    assert problem.rule == "rate_contradicts_profile"
    assert problem.found == "200 samples per second"
    assert "100 Hz" in problem.expected
    assert recording.rate_hz == pytest.approx(RATE)


def test_unit_that_contradicts_standing(tmp_path: Path) -> None:
    table = standing()
    table[["ax", "ay", "az"]] *= 9.80665
    rules = {problem.rule for problem in read(table, tmp_path).problems}
    assert rules == {"unit_contradicts_signal"}


def test_sign_that_contradicts_standing(tmp_path: Path) -> None:
    problem = only(read(standing().assign(ay=-1.0), tmp_path).problems)
    assert (problem.rule, problem.column) == ("sign_contradicts_signal", "ay")


def test_force_that_pulls_has_the_wrong_sign(tmp_path: Path) -> None:
    force = [
        {"channel": "vertical_force.left", "column": "fz", "unit": "N", "range": 9000},
    ]
    table = pd.DataFrame({"time": np.arange(100) / RATE, "fz": -700.0})
    problem = only(read(table, tmp_path, profile(channels=force)).problems)
    assert (problem.rule, problem.column) == ("sign_contradicts_signal", "fz")


def test_findings_that_need_not_cost_the_recording_have_a_quality_flag() -> None:
    assert set(FLAG_OF_RULE.values()) == {
        "gap",
        "missing_samples",
        "rate_mismatch",
        "out_of_range",
        "short_recording",
    }


def refused(path: Path, device: DeviceProfile | None = None) -> Problem:
    with pytest.raises(StudyError) as caught:
        read_recording(path, device or profile(), "raw/recording.csv")
    problem = only(caught.value.problems)
    assert problem.severity == "excludes_recording"
    assert problem.file == "raw/recording.csv"
    return problem


def test_time_that_runs_backward(tmp_path: Path) -> None:
    table = standing()
    table.loc[120, "time"] = table.loc[118, "time"]
    path = tmp_path / "recording.csv"
    table.to_csv(path, index=False)
    problem = refused(path)
    assert (problem.rule, problem.row) == ("time_not_rising", 122)
    assert "at sample 120" in problem.found


def test_text_among_numbers_is_not_echoed(tmp_path: Path) -> None:
    lines = standing().to_csv(index=False).splitlines()
    lines[6] = "0.025,0.0,Gunhild,0.0"
    path = tmp_path / "recording.csv"
    path.write_text("\n".join(lines))
    problem = refused(path)
    assert (problem.rule, problem.row, problem.column) == ("text_in_number_column", 7, "ay")
    assert "7 characters starting with 'G'" in problem.found
    assert "unhild" not in problem.render()


def test_last_line_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    path.write_text(standing().to_csv(index=False).rpartition(",")[0])
    problem = refused(path)
    assert (problem.rule, problem.row) == ("truncated_file", 301)


def test_line_with_too_many_cells(tmp_path: Path) -> None:
    lines = standing().to_csv(index=False).splitlines()
    lines[10] += ",1"
    path = tmp_path / "recording.csv"
    path.write_text("\n".join(lines))
    problem = refused(path)
    assert (problem.rule, problem.row, problem.found) == ("wrong_number_of_cells", 11, "5 cells")


def test_comma_as_decimal_mark_against_the_profile(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    standing().to_csv(path, index=False, sep=";", decimal=",")
    with pytest.raises(StudyError) as caught:
        read_recording(path, profile(csv={"delimiter": ";"}))
    assert {problem.rule for problem in caught.value.problems} == {"text_in_number_column"}
    assert {problem.column for problem in caught.value.problems} == {"time", "ax", "ay", "az"}


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (b"", "empty_file"),
        (b"time,ax,ay,az\n", "too_few_samples"),
        (b"time,ax,ay,az\n0,0,1,0\n0.005,0,1,0\n", "too_few_samples"),
        (b"time;ax;ay;az\n0;0;1;0\n", "wrong_delimiter"),
        (b"PK\x03\x04\x00\x00\x00", "unreadable_file"),
        (b"time,ax,ay\xb0,az\n0,0,1,0\n", "unreadable_file"),
        (b"time,ax,ay_g,az\n0,0,1,0\n", "missing_column"),
        (b"time,ax,ay,az,ay\n0,0,1,0,1\n", "duplicate_column"),
    ],
)
def test_file_that_is_no_recording(content: bytes, rule: str, tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    path.write_bytes(content)
    assert refused(path).rule == rule


def test_missing_column_says_which_was_meant(tmp_path: Path) -> None:
    path = tmp_path / "recording.csv"
    standing().rename(columns={"ay": "ay_g"}).to_csv(path, index=False)
    problem = refused(path)
    assert "did you mean 'ay_g'?" in problem.mend


def test_missing_file(tmp_path: Path) -> None:
    assert refused(tmp_path / "nowhere.csv").rule == "missing_file"


@pytest.mark.parametrize("format_", ["parquet", "c3d", "matlab"])
@pytest.mark.parametrize("content", [b"not of this format at all", b"\x02P" + bytes(2000)])
def test_foreign_bytes_in_binary_formats(format_: str, content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "recording.bin"
    path.write_bytes(content)
    one = profile().channels[:1]
    device = profile(format=format_, csv=None, time=None, channels=one)
    assert refused(path, device).rule in ("unreadable_file", "missing_column")
