"""An athlete who withdrew consent does not exist for intake, and no error of theirs matters."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from pipeline.withdrawal.marks import athletes_of, marks_of
from pipeline.withdrawal.scan import traces
from shared.settings.load import load_settings
from shared.tables import read_table
from shared.workflow import Study
from tests.rejects.bad_units import with_units
from tests.rejects.bad_withdrawals import withdrawals
from tests.rejects.small_study import SmallStudy


@pytest.fixture
def study(tmp_path: Path) -> SmallStudy:
    made = SmallStudy(tmp_path)
    made.study["shards"] = 40
    names = ("A0002.clearance.drop_vertical_jump.both.1.plates", "A0001.follow_up.x")
    made.tables["rejections"] = pd.DataFrame({"recording_id": names[:1], "reason": "stumbled"})
    return made


def test_nothing_that_intake_writes_names_a_withdrawn_athlete(study: SmallStudy) -> None:
    """The same traces are found before, so that the search itself is known to find."""
    before = study.check()
    marks = marks_of("A0002", study.folder, study.study["visits"], athletes_of(study.folder))
    assert marks.code == "A0002"
    assert len(marks.paths) == 4
    found = {trace.file for trace in traces(sorted(before.iterdir()), before, [marks])}
    assert found == {
        "athletes.parquet", "visits.parquet", "outcomes.parquet", "exposure.parquet",
        "recordings_index.parquet", "calibration_index.parquet",
    }  # fmt: skip
    withdrawals(("A0002",))(study)
    after = study.check()
    assert list(traces(sorted(after.iterdir()), after, [marks])) == []
    assert read_table(after / "withdrawals.parquet").to_dict("records") == [
        {"level": "athlete", "count": 1}
    ]
    for name in ("athletes", "visits", "outcomes", "exposure", "recordings_index"):
        rows = read_table(after / f"{name}.parquet")
        kept = read_table(before / f"{name}.parquet").query("athlete_id != 'A0002'")
        pd.testing.assert_frame_equal(rows, kept.reset_index(drop=True))


def test_a_study_without_the_table_has_no_count(study: SmallStudy) -> None:
    assert read_table(study.check() / "withdrawals.parquet").empty


def test_faults_in_rows_and_files_of_a_withdrawn_athlete_are_nobodys_problem(
    study: SmallStudy,
) -> None:
    study.cell("athletes", 3, "mass_kg", "heavy")
    study.cell("outcomes", 3, "event", "graft")
    study.cell("recordings", 5, "device", "platse")
    del study.files[study.path(6)]
    assert len(study.examination().problems) >= 3
    withdrawals(("A0002",))(study)
    assert study.examination().problems == []


def test_an_athlete_whose_raw_data_are_deleted_still_counts(study: SmallStudy) -> None:
    for name, table in study.tables.items():
        owner = table.columns[0]
        study.tables[name] = table[~table[owner].str.startswith("A0002")].reset_index(drop=True)
    withdrawals(("A0002", "deleted"))(study)
    assert read_table(study.check() / "withdrawals.parquet")["count"].tolist() == [1]


def test_rows_keep_their_numbers_in_messages(study: SmallStudy) -> None:
    withdrawals(("A0002",))(study)
    study.cell("athletes", 4, "sex", "f")
    (problem,) = study.examination().problems
    assert (problem.file, problem.row) == ("athletes.csv", 4)


def test_only_the_shard_of_a_withdrawn_athlete_has_other_work(study: SmallStudy) -> None:
    study.write()

    def work() -> dict[str, tuple[str, list[str]]]:
        opened = Study(load_settings(study.root / "config"))
        return {s: (opened.digest_of(s), opened.raw_of(s)) for s in opened.shards}

    before, bench = work(), Study(load_settings(study.root / "config")).bench.digest
    withdrawals(("A0002",))(study)
    study.write()
    after = work()
    changed = [shard for shard in before if before[shard] != after[shard]]
    assert len(changed) == 1
    assert not [path for path in after[changed[0]][1] if "A0002" in path]
    assert Study(load_settings(study.root / "config")).bench.digest == bench


def test_a_unit_that_only_a_withdrawn_athlete_wore_may_keep_its_bench_calibration(
    study: SmallStudy,
) -> None:
    with_units(study)
    rows = study.tables["calibrations"]
    rows.loc[rows["athlete_id"] == "A0002", "unit_code"] = "plates-2"
    units = study.tables["unit_calibrations"]
    units.loc[units["device"] == "plates", "unit_code"] = "plates-2"
    assert study.examination().problems == []
    withdrawals(("A0002",))(study)
    assert study.examination().problems == []
