"""Duplicates and manual rejections: what they touch, what they leave alone."""

import pandas as pd
import pytest

from pipeline.extraction.exclusions import exclusions_of_values
from pipeline.extraction.verdicts import (
    Verdict,
    apply_to_landings,
    apply_to_metrics,
    apply_to_recordings,
    duplicates,
    exclusions_of_verdicts,
    read_rejections,
    rejections_to_verdicts,
)
from shared.errors import StudyError

EXCLUDING = ["duplicate_recording", "operator_reject", "gap", "second_hop"]


def recordings():
    return pd.DataFrame(
        {
            "recording_id": ["A2.t1.plates", "A1.t1.plates", "A1.t1.wearables", "A3.t1.plates"],
            "sha256": ["aa", "aa", "bb", ""],
            "site": ["harbour"] * 4,
            "usable": [True, True, True, False],
            "flags": ["", "", "", ""],
            "reason": ["", "", "", "the file is empty"],
        }
    )


def metrics_and_sources():
    metrics = pd.DataFrame(
        {
            "landing_id": ["L1", "L1", "L2"],
            "metric": ["peak_vgrf", "peak_knee_flexion", "peak_vgrf"],
            "sensor": ["plate", "gyro", "plate"],
            "site": ["harbour"] * 3,
            "flags": ["", "clipped", ""],
            "valid": [True, True, True],
        }
    )
    sources = pd.DataFrame(
        [
            ("L1", "peak_vgrf", "plate", "A2.t1.plates", "value"),
            ("L1", "peak_knee_flexion", "gyro", "A1.t1.wearables", "value"),
            ("L1", "peak_knee_flexion", "gyro", "A2.t1.plates", "events"),
            ("L2", "peak_vgrf", "plate", "A1.t1.plates", "value"),
        ],
        columns=["landing_id", "metric", "sensor", "recording_id", "role"],
    )
    return metrics, sources


def test_the_later_of_two_equal_files_is_the_duplicate_whoever_it_belongs_to():
    assert duplicates(recordings()) == [
        Verdict("A2.t1.plates", "duplicate_recording", "the same file as A1.t1.plates")
    ]


def test_unreadable_files_are_no_duplicates_of_each_other():
    table = recordings().assign(sha256=["", "", "bb", ""])
    assert duplicates(table) == []


def test_a_verdict_reaches_values_through_their_events_too():
    metrics, sources = metrics_and_sources()
    judged = apply_to_metrics(metrics, sources, duplicates(recordings()), EXCLUDING)
    assert list(judged["flags"]) == ["duplicate_recording", "clipped;duplicate_recording", ""]
    assert list(judged["valid"]) == [False, False, True]
    assert list(metrics["flags"]) == ["", "clipped", ""], "the input must stay as it was"


def test_a_verdict_reaches_recordings_and_landings():
    verdicts = duplicates(recordings())
    judged = apply_to_recordings(recordings(), verdicts).set_index("recording_id")
    assert not judged.loc["A2.t1.plates", "usable"]
    assert judged.loc["A2.t1.plates", "flags"] == "duplicate_recording"
    assert judged.loc["A1.t1.plates", "usable"]
    landings = pd.DataFrame(
        {
            "landing_id": ["L1", "L2"],
            "event_recording_id": ["A2.t1.plates", "A1.t1.plates"],
            "flags": ["second_hop", ""],
            "valid": [False, True],
        }
    )
    judged = apply_to_landings(landings, verdicts, EXCLUDING)
    assert list(judged["flags"]) == ["duplicate_recording;second_hop", ""]
    assert list(judged["valid"]) == [False, True]
    row = exclusions_of_verdicts(verdicts, recordings()).iloc[0]
    assert (row["level"], row["id"], row["reason"]) == (
        "recording",
        "A2.t1.plates",
        "duplicate_recording",
    )


def test_no_verdicts_change_nothing():
    metrics, sources = metrics_and_sources()
    pd.testing.assert_frame_equal(apply_to_metrics(metrics, sources, [], EXCLUDING), metrics)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_rejections_are_read_whatever_their_separator(tmp_path, separator):
    path = tmp_path / "rejections.csv"
    path.write_text(
        separator.join(["recording_id", "reason"])
        + "\n"
        + separator.join(["A1.t1.plates", "stepped on the edge"])
        + "\n"
    )
    verdicts = rejections_to_verdicts(read_rejections([path]), recordings())
    assert verdicts == [Verdict("A1.t1.plates", "operator_reject", "stepped on the edge")]


def test_without_a_table_nothing_is_rejected():
    assert rejections_to_verdicts(read_rejections([]), recordings()) == []


def test_an_unknown_recording_is_refused_with_its_row(tmp_path):
    path = tmp_path / "rejections.csv"
    path.write_text("recording_id,reason\nA1.t1.plates,x\nA1.t1.plate,typing error\n")
    with pytest.raises(StudyError) as caught:
        rejections_to_verdicts(read_rejections([path]), recordings())
    (problem,) = caught.value.problems
    assert (problem.rule, problem.row) == ("unknown_recording", 3)


def test_a_missing_column_is_refused(tmp_path):
    path = tmp_path / "rejections.csv"
    path.write_text("recording_id,why\nA1.t1.plates,x\n")
    with pytest.raises(StudyError) as caught:
        read_rejections([path])
    assert [problem.rule for problem in caught.value.problems] == ["missing_column"]


def test_a_flag_of_the_landing_is_counted_once():
    landings = pd.DataFrame({"landing_id": ["L1"], "site": ["ridge"], "flags": ["second_hop"]})
    metrics = pd.DataFrame(
        {
            "landing_id": ["L1", "L1"],
            "metric": ["peak_vgrf", "flight_time"],
            "sensor": ["plate", "plate"],
            "site": ["ridge", "ridge"],
            "flags": ["second_hop", "clipped;gap;second_hop"],
        }
    )
    table = exclusions_of_values(landings, metrics, EXCLUDING)
    assert list(zip(table["level"], table["id"], table["reason"], strict=True)) == [
        ("landing", "L1", "second_hop"),
        ("metric", "L1.flight_time.plate", "gap"),
    ]
