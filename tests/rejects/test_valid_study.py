"""The study that all rejects start from is valid, and what intake writes about it is right."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.intake.columns import TABLES, TableRule
from shared.errors import StudyError
from shared.tables import read_metadata, read_table
from tests.rejects.bad_bids_motion import with_bids_motion
from tests.rejects.bad_units import with_units
from tests.rejects.small_study import CONFIG, SmallStudy


@pytest.fixture
def study(tmp_path: Path) -> SmallStudy:
    return SmallStudy(tmp_path)


def test_valid_study_has_no_problem(study: SmallStudy) -> None:
    assert study.problems() == []


def test_index_names_recordings_sides_and_limbs(study: SmallStudy) -> None:
    out = study.check()
    index = read_table(out / "recordings_index.parquet").set_index("recording_id")
    assert len(index) == 7
    assert index["usable"].all()
    left = index.loc["A0001.clearance.single_leg_drop_landing.left.1.plates"]
    assert (left["side"], left["limb"], left["site"]) == ("left", "involved", "harbour")
    assert left["box_height_m"] == 0.30
    right = index.loc["A0001.clearance.single_leg_drop_landing.right.1.wearables"]
    assert right["limb"] == "uninvolved"
    bilateral = index.loc["A0003.clearance.single_leg_drop_landing.left.1.wearables"]
    assert bilateral["limb"] == "involved"
    jump = index.loc["A0003.clearance.countermovement_jump.both.1.wearables"]
    assert jump["limb"] == "both"
    assert pd.isna(jump["box_height_m"])
    assert len(read_table(out / "exclusions.parquet")) == 0
    assert len(read_table(out / "calibration_index.parquet")) == 6


def test_people_tables_are_typed_for_the_analysis(study: SmallStudy) -> None:
    out = study.check()
    athletes = read_table(out / "athletes.parquet")
    assert athletes["age_at_surgery_years"].tolist() == [18.4, 21.0, 24.9]
    assert athletes["sport_level"].tolist() == ["1", "1", "2"]
    assert read_table(out / "exposure.parquet")["month"].tolist() == [1, 2, 1]
    outcomes = read_table(out / "outcomes.parquet")
    assert outcomes["event_days"].tolist() == [412.0, 730.0, 201.0]
    assert outcomes["side"].tolist() == ["left", "", ""]
    inputs = read_metadata(out / "outcomes.parquet")["inputs"]
    assert "outcomes.csv" in inputs
    assert str(study.root) not in inputs


def test_extra_columns_are_kept(study: SmallStudy) -> None:
    study.tables["athletes"]["shoe_size"] = ["38", "44", "40"]
    out = study.check()
    assert read_table(out / "athletes.parquet")["shoe_size"].tolist() == ["38", "44", "40"]


def test_same_input_same_bytes(tmp_path: Path) -> None:
    first, second = (SmallStudy(tmp_path / name) for name in "ab")
    for study in (first, second):
        study.root.mkdir()
    for path in sorted(first.check().iterdir()):
        twin = second.root / "results" / "intake" / path.name
        if twin.exists() or second.check():
            assert path.read_bytes() == twin.read_bytes(), path.name


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_tables_in_any_delimited_form_are_the_same(
    separator: str, mark: str, study: SmallStudy
) -> None:
    plain = study.examination().tables
    for name, table in study.tables.items():
        suffix = "tsv" if separator == "\t" else "csv"
        decimal = table.replace({r"^(\d+)\.(\d+)$": r"\1,\2"}, regex=True)
        table = decimal if separator != "," else table
        (study.folder / f"{name}.csv").unlink()
        (study.folder / f"{name}.{suffix}").write_text(
            mark + table.to_csv(index=False, sep=separator), encoding="utf-8"
        )
    study.tables = {}
    again = study.examination()
    assert again.problems == []
    for name in plain.tables:
        pd.testing.assert_frame_equal(again.tables[name], plain[name])


def test_tables_in_parquet_are_the_same(study: SmallStudy) -> None:
    plain = study.examination().tables
    for name, table in study.tables.items():
        (study.folder / f"{name}.csv").unlink()
        typed = table.apply(_numbers_where_possible)
        pq.write_table(pa.Table.from_pandas(typed), study.folder / f"{name}.parquet")
    study.tables = {}
    again = study.examination()
    assert again.problems == []
    for name in plain.tables:
        left, right = again.tables[name], plain[name]
        right.index = right.index.astype(left.index.dtype)
        pd.testing.assert_frame_equal(left, right)


def _numbers_where_possible(column: pd.Series) -> pd.Series:
    try:
        return pd.to_numeric(column)
    except ValueError:
        return column


def test_one_bad_file_is_left_out_and_the_study_goes_on(study: SmallStudy) -> None:
    study.files[study.path(2)] = b""
    study.files[study.path(3, "calibrations")] = b"not Parquet at all"
    out = study.check()
    index = read_table(out / "recordings_index.parquet")
    bad = index.loc[~index["usable"]]
    assert bad["recording_id"].tolist() == [
        "A0001.clearance.single_leg_drop_landing.left.1.plates",
    ]
    assert bad["reason"].tolist() == ["empty_file"]
    exclusions = read_table(out / "exclusions.parquet")
    assert exclusions[["level", "reason"]].to_numpy().tolist() == [
        ["calibration", "unreadable_file"],
        ["recording", "empty_file"],
    ]
    report = (out / "problems.txt").read_text()
    assert "2 problems with single files" in report
    assert study.path(2) in report
    assert "0 bytes" in report


def test_event_before_clearance_stops_nothing_and_is_told(study: SmallStudy) -> None:
    study.cell("outcomes", 2, "event_days", "-20")
    study.cell("outcomes", 2, "followup_days", "0")
    report = (study.check() / "problems.txt").read_text()
    assert "outcomes.csv, row 2: A0001: graft_rupture before clearance" in report


def test_all_problems_of_all_files_are_told_at_once(study: SmallStudy) -> None:
    study.cell("athletes", 2, "sex", "f")
    study.cell("visits", 3, "days_since_surgery", "abc")
    study.cell("recordings", 4, "athlete_id", "A0009")
    study.cell("outcomes", 2, "side", "")
    study.cell("exposure", 2, "athlete_exposures", "-3")
    del study.files[study.path(3)]
    study.files[study.path(6)] = b""
    study.tables["calibrations"] = study.tables["calibrations"].drop(columns="unit_code")
    with pytest.raises(StudyError) as caught:
        study.check()
    rules = sorted(problem.rule for problem in caught.value.problems)
    assert rules == [
        "empty_file",
        "event_without_side",
        "impossible_value",
        "missing_column",
        "missing_file",
        "text_in_number_column",
        "unknown_athlete",
        "unknown_value",
    ]
    text = str(caught.value)
    assert text.startswith("8 problems found:")
    assert not (study.root / "results" / "intake").exists()


def test_long_series_are_cut_and_counted(study: SmallStudy) -> None:
    for month in range(3, 103):
        study.append("exposure", "A0008", str(month), "1")
    with pytest.raises(StudyError) as caught:
        study.check()
    assert len(caught.value.problems) == 5
    assert "(and 95 more like this)" in caught.value.problems[-1].found


def test_device_all_of_whose_files_fail_alike_stops_the_study(study: SmallStudy) -> None:
    for trial in range(2, 6):
        row = study.tables["recordings"].iloc[0].copy()
        row["trial"], row["path"] = str(trial), f"recordings/more.{trial}.csv"
        study.append("recordings", *row)
        study.files[row["path"]] = study.files[study.path(2)]
    study.devices["plates"]["csv"]["decimal"] = "."
    found = [p for p in study.examination().of_tables if p.severity == "stops_study"]
    assert {p.file for p in found} == {"devices/plates.yaml"}
    assert found[0].rule == "text_in_number_column"
    assert found[0].found.startswith("all 7 files of the device fail")


@pytest.mark.parametrize("rule", TABLES.values(), ids=list(TABLES))
def test_the_template_of_each_table_shows_its_columns(rule: TableRule) -> None:
    template = pd.read_csv(CONFIG / "template" / f"{rule.name}.csv", dtype=str)
    assert list(template.columns) == rule.names


def test_the_optional_columns_and_table_are_indexed(study: SmallStudy) -> None:
    with_units(study)
    study.tables["recordings"]["order_in_session"] = ["3", *[""] * 6]
    study.tables["calibrations"]["unit_calibration_age_days"] = ["41", *[""] * 5]
    out = study.check()
    units = read_table(out / "unit_calibration_index.parquet")
    assert len(units) == 9
    assert units["usable"].all()
    assert set(units.loc[units["kind"] == "plate_load", "known_value"]) == {20.0, 40.0}
    standing = read_table(out / "calibration_index.parquet")
    assert set(standing["kind"]) == {"standing"}
    assert list(standing["unit_calibration_age_days"].dropna()) == [41.0]
    orders = read_table(out / "recordings_index.parquet")["order_in_session"]
    assert list(orders.dropna()) == [3]


def test_a_study_in_bids_motion_is_valid(study: SmallStudy) -> None:
    with_bids_motion(study)
    assert study.problems() == []
    index = read_table(study.check() / "recordings_index.parquet")
    assert index["usable"].all()
