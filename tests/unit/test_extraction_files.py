"""From files to tables: one bad file stops nothing, raw samples keep their address, equal bytes."""

import hashlib
import shutil

import numpy as np
import pandas as pd
import pytest

from pipeline.extraction.reading import judge
from pipeline.extraction.shard import extract_shard
from pipeline.extraction.signals import prepare
from pipeline.extraction.stretch import filtered_between
from pipeline.filtering.butterworth import zero_lag_lowpass
from pipeline.readers.recording import Gap, Recording
from shared.errors import StudyError, refusal
from shared.layout import SHARD_TABLES
from tests.benchmarks.bench_study import settings, write_study


@pytest.mark.parametrize("cutoff_hz", [12.0, 20.0, 60.0, 100.0])
@pytest.mark.parametrize("middle", [(4000, 4400), (0, 300), (9800, 9999)])
def test_a_filtered_stretch_equals_the_filtered_whole(cutoff_hz, middle):
    signal = np.random.default_rng(1).normal(0.0, 1.0, (2, 10_000)).cumsum(axis=1)
    whole = zero_lag_lowpass(signal, 1000.0, cutoff_hz=cutoff_hz, order_per_pass=2)
    first, last = middle
    part = filtered_between(signal, 1000.0, first, last, cutoff_hz=cutoff_hz, order_per_pass=2)
    window = slice(first, last + 1)
    scale = np.abs(whole).max()
    np.testing.assert_allclose(part[:, window], whole[:, window], atol=1e-12 * scale, rtol=0.0)
    assert np.isnan(np.delete(part, np.arange(first, last + 1), axis=1)).all()


def test_unfiltered_stays_as_it_is():
    signal = np.arange(100.0)
    part = filtered_between(signal, 100.0, 10, 20, cutoff_hz=None, order_per_pass=2)
    assert (part[10:21] == signal[10:21]).all()


def recording(time_s, values, gaps=(), problems=()):
    channels = {"vertical_force.single": np.asarray(values, dtype=float)}
    return Recording("r.csv", "plates", "ab", time_s, channels, 100.0, gaps, problems)


def test_slots_lead_back_to_rows_of_the_file():
    """Rows 10 to 12 are lost: slot 13 is row 10 of what is left."""
    slots = np.delete(np.arange(50), [10, 11, 12])
    signals = prepare(recording(slots / 100.0, slots, (Gap(9, 3),)), "r", ())
    assert len(signals.channels["vertical_force.single"]) == 50
    np.testing.assert_allclose(signals.channels["vertical_force.single"], np.arange(50))
    assert [(gap.first, gap.end) for gap in signals.gaps] == [(10, 13)]
    assert [signals.raw_sample(slot) for slot in (0, 9, 10, 12, 13, 49)] == [0, 9, 9, 9, 10, 46]
    assert signals.seconds(signals.position(0.37)) == pytest.approx(0.37)


def test_empty_cells_are_bridged_and_remembered():
    values = np.arange(50.0)
    values[[20, 21]] = np.nan
    signals = prepare(recording(np.arange(50) / 100.0, values), "r", ())
    np.testing.assert_allclose(signals.channels["vertical_force.single"], np.arange(50))
    assert [(gap.first, gap.end) for gap in signals.gaps] == [(20, 22)]
    assert signals.raw_sample(30) == 30


def problem(rule):
    return refusal(rule, "r.csv", found="x", expected="y", mend="z")


@pytest.mark.parametrize(
    ("rule", "flags", "everywhere"),
    [
        ("gap_in_time", ("gap",), ()),
        ("empty_cell", ("missing_samples",), ()),
        ("rate_contradicts_profile", ("rate_mismatch",), ("rate_mismatch",)),
        ("value_beyond_range", ("out_of_range",), ("out_of_range",)),
    ],
)
def test_findings_become_flags(rule, flags, everywhere):
    """What is missing concerns the values near it; a wrong rate concerns every value."""
    reading = judge(recording(np.arange(300) / 100.0, np.ones(300), (), (problem(rule),)), "r", 1.0)
    assert reading.flags == flags
    assert reading.signals.flags == everywhere


def test_a_contradiction_in_sign_costs_the_recording():
    found = recording(
        np.arange(300) / 100.0, np.ones(300), (), (problem("sign_contradicts_signal"),)
    )
    reading = judge(found, "r", 1.0)
    assert reading.signals is None
    assert (reading.rule, reading.samples) == ("sign_contradicts_signal", 300)
    assert reading.reason == "found x, expected y"


def test_a_recording_of_a_moment_is_too_short():
    reading = judge(recording(np.arange(50) / 100.0, np.ones(50)), "r", 1.0)
    assert reading.signals is None
    assert reading.rule == "short_recording"


def run(folder, out, **changes):
    arguments = {
        "recordings_index": folder / "recordings_index.parquet",
        "calibration_index": folder / "calibration_index.parquet",
        "athletes": folder / "athletes.parquet",
        "shard": 0,
        "shards": 1,
        "study": {},
        "study_folder": str(folder),
        **settings(),
        **{name: out / f"{name}.parquet" for name in SHARD_TABLES},
    }
    extract_shard(**arguments | changes)
    return {name: pd.read_parquet(out / f"{name}.parquet") for name in SHARD_TABLES}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    write_study(folder, 12, 1)
    return folder


@pytest.fixture(scope="module")
def tables(study):
    return run(study, study / "first")


def test_hashes_are_those_of_the_bytes(study, tables):
    assert len(tables["recordings"]) == 11
    for row in tables["recordings"].itertuples():
        assert row.sha256 == hashlib.sha256((study / row.path).read_bytes()).hexdigest()
        assert (row.samples, row.usable) == (10_000, True)


def test_a_second_run_writes_the_same_bytes(study, tables):
    run(study, study / "second")
    for name in tables:
        first, second = (study / out / f"{name}.parquet" for out in ("first", "second"))
        assert first.read_bytes() == second.read_bytes(), name


def test_one_bad_file_is_excluded_and_stops_nothing(study, tables, tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(study, folder)
    index = pd.read_parquet(folder / "recordings_index.parquet")
    broken, missing = index["recording_id"][0], index["recording_id"][7]
    paths = index.set_index("recording_id")["path"]
    text = (folder / paths[broken]).read_text().splitlines()
    text[5000] = text[5000].replace(",", ",oops", 1)
    (folder / paths[broken]).write_text("\n".join(text))
    (folder / paths[missing]).unlink()
    result = run(folder, folder / "out")
    recordings = result["recordings"].set_index("recording_id")
    assert list(recordings.index[~recordings["usable"]]) == sorted([broken, missing])
    assert recordings.loc[missing, "sha256"] == ""
    exclusions = result["exclusions"].set_index("id")
    assert exclusions.loc[broken, "reason"] == "text_in_number_column"
    assert exclusions.loc[missing, "reason"] == "missing_file"
    assert "oops" not in exclusions.loc[broken, "detail"], "a cell may hold a name: never echoed"
    good = tables["metrics"].loc[~tables["metrics"]["recording_id"].isin([broken, missing])]
    pd.testing.assert_frame_equal(result["metrics"], good.reset_index(drop=True))


def test_a_missing_standing_recording_is_told(study, tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(study, folder)
    path = pd.read_parquet(folder / "calibration_index.parquet")["path"][0]
    (folder / path).write_bytes(b"")
    result = run(folder, folder / "out")
    exclusions = result["exclusions"]
    assert set(exclusions["level"]) == {"calibration"}
    assert set(exclusions["reason"]) == {"empty_file"}
    assert len(result["calibrations"]) == 0
    assert result["metrics"]["flags"].str.contains("calibration_rejected|body_weight").any()


def test_an_unknown_task_stops_with_its_name(study, tmp_path):
    index = pd.read_parquet(study / "recordings_index.parquet")
    path = tmp_path / "recordings_index.parquet"
    index.assign(task="cartwheel").to_parquet(path)
    with pytest.raises(StudyError) as caught:
        run(study, tmp_path / "out", recordings_index=path)
    (found,) = caught.value.problems
    assert found.rule == "task_without_event_rules"
    assert "cartwheel" in found.found


def test_a_shard_without_athletes_writes_empty_tables(study, tmp_path):
    empty = run(study, tmp_path / "out", shards=97, shard=96)
    assert all(len(table) == 0 for table in empty.values())
