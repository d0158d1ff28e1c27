"""Every number of a study resolves, and every step, run again, gives the same numbers."""

import shutil

import pytest

from analysis.audit.recompute import step_again, step_of
from analysis.audit.study_folder import TraceError, open_folder
from analysis.audit.walk import main, unresolved, walk_step
from tests.tiny_study.test_tampering import cell, frame, without_first

PARTS = ("data_quality", "flow_diagram", "impute_cohort", "sensor_quality")


@pytest.fixture
def copied(audited, tmp_path):
    return shutil.copytree(audited, tmp_path / "moved")


def test_all_numbers_resolve_and_all_steps_come_out_equal(audited, capsys):
    assert main(["--results", str(audited / "results")]) == 0
    shown = capsys.readouterr().out
    assert "every printed number leads to an estimate and its step" in shown
    for part in PARTS:
        assert f"{part}: " in shown
    assert shown.count("estimates again, equal") == len(PARTS)


def test_a_changed_estimate_does_not_come_out_again(copied, capsys):
    cell("models/sensor_quality", "estimate")(copied)
    found = walk_step(open_folder(copied / "results", None), "sensor_quality")
    assert len(found.differences) == 1
    assert ", estimate: " in found.differences[0]
    assert main(["--results", str(copied / "results")]) == 1
    assert "sensor_quality: " in capsys.readouterr().out


def test_a_changed_value_shows_in_the_numbers_that_use_it(copied):
    """One value declared invalid moves its own shares and counts, and those of no other metric."""
    cell("tables/metrics", "valid", lambda value: not value)(copied)
    study = open_folder(copied / "results", None)
    row = study.table("metrics").iloc[0]
    found = walk_step(study, "sensor_quality")
    assert found.differences
    assert all(f"quality_metrics.{row['metric']}.{row['sensor']}." in x for x in found.differences)


def test_a_number_without_estimate_or_step_is_named(copied):
    frame(without_first, "models/flow_diagram")(copied)
    printed = open_folder(copied / "results", None).table("ledger")["number_id"].iloc[-1]
    frame(lambda rows: rows.loc[rows["number_id"] != printed], "tables/estimates")(copied)
    lost = unresolved(open_folder(copied / "results", None))
    assert any(line.endswith("no step gave it") for line in lost)
    assert any(line.endswith("no such estimate") for line in lost)


def test_a_missing_input_is_named(copied):
    (copied / "results" / "cohort" / "exclusions.parquet").unlink()
    with pytest.raises(TraceError, match=r"data_quality needs the file exclusions\.parquet"):
        step_again(open_folder(copied / "results", None), "data_quality")


def test_the_step_of_a_rule_inside_a_condition_is_its_own():
    assert step_of("compare_with_truth") == "analysis.models.planted:compare_with_truth"
    assert step_of("sensor_answer").endswith(":sensor_answer")
