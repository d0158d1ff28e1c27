"""Study tables made from the names of files: the table that a person would write, or a refusal."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.intake.file_names import named_files
from pipeline.intake.list_files import list_files, main
from shared.errors import StudyError
from shared.settings.study import FilePattern
from tests.rejects.bad_bids_motion import with_bids_motion
from tests.rejects.small_study import SmallStudy

RECORDINGS = "recordings/{athlete_id}/{visit}/{task}.{limb}.{trial}.{device}.*"
HEIGHTS = {"single_leg_drop_landing": 0.30, "drop_vertical_jump": 0.31}


@pytest.fixture
def study(tmp_path):
    """The small study, its recordings described by a pattern as well."""
    return described(SmallStudy(tmp_path))


def described(study):
    study.study["file_patterns"] = {"recordings": {"pattern": RECORDINGS}}
    for task, height in HEIGHTS.items():
        study.study["tasks"][task]["box_height_m"] = height
    return study


def written(study, name="recordings"):
    return pd.read_csv(study.folder / f"{name}.csv", dtype=str, keep_default_na=False)


def test_the_table_is_the_one_that_was_written_by_hand(study):
    by_hand = study.tables.pop("recordings")
    told = list_files(study.settings())
    assert told[0] == "recordings.csv: 7 rows; look at them before you run the study"
    assert told[1].startswith("6 files fit no pattern and stand in no table: calibrations/A0001")
    key = list(by_hand.columns)
    made = written(study)
    assert list(made.columns) == key
    left = made.assign(box_height_m=pd.to_numeric(made["box_height_m"]))
    right = by_hand.assign(box_height_m=pd.to_numeric(by_hand["box_height_m"]))
    order = key[:6]
    pd.testing.assert_frame_equal(
        left.sort_values(order, ignore_index=True), right.sort_values(order, ignore_index=True)
    )
    study.tables["recordings"] = made
    assert study.problems() == []


def test_a_table_that_is_there_stays(study):
    settings = study.settings()
    before = (study.folder / "recordings.csv").read_bytes()
    assert list_files(settings) == ["recordings.csv is there already and stays as it is"]
    assert (study.folder / "recordings.csv").read_bytes() == before


def test_both_tables_from_names_in_the_words_of_the_laboratory(tmp_path):
    study = described(SmallStudy(tmp_path))
    recordings, calibrations = study.tables.pop("recordings"), study.tables.pop("calibrations")
    words = {
        "visit": {"T1": "clearance", "T2": "follow_up"},
        "limb": {"L": "left", "R": "right", "B": "both"},
        "task": {
            "SLDL": "single_leg_drop_landing",
            "DVJ": "drop_vertical_jump",
            "CMJ": "countermovement_jump",
        },
        "device": {"csv": "plates", "parquet": "wearables"},
    }
    short = {name: {word: code for code, word in item.items()} for name, item in words.items()}
    files = {}
    for _, row in recordings.iterrows():
        cells = {name: short.get(name, {}).get(value, value) for name, value in row.items()}
        name = "raw/{athlete_id}_{visit}_{task}_{limb}{trial}.{device}".format(**cells)
        files[name] = study.files[row["path"]]
    for _, row in calibrations.iterrows():
        cells = {name: short.get(name, {}).get(value, value) for name, value in row.items()}
        name = "stand/{athlete_id}_{visit}_{unit_code}.{device}".format(**cells)
        files[name] = study.files[row["path"]]
    study.files = files
    study.study["file_patterns"] = {
        "recordings": {
            "pattern": "raw/{athlete_id}_{visit}_{task}_{limb}{trial}.{device}",
            "words": words,
        },
        "calibrations": {
            "pattern": "stand/{athlete_id}_{visit}_{unit_code}.{device}",
            "words": {name: words[name] for name in ("visit", "device")},
        },
    }
    told = list_files(study.settings())
    assert [line.partition(":")[0] for line in told] == ["calibrations.csv", "recordings.csv"]
    for name, table in (("recordings", recordings), ("calibrations", calibrations)):
        made = written(study, name)
        same = [column for column in table.columns if column not in ("path", "box_height_m")]
        assert set(made[same].itertuples(index=False)) == set(table[same].itertuples(index=False))
        study.tables[name] = made
    assert study.problems() == []


def test_bids_names_with_what_comes_back_and_what_only_accompanies(tmp_path):
    study = described(SmallStudy(tmp_path))
    with_bids_motion(study)
    study.tables.pop("recordings")
    study.study["file_patterns"]["recordings"]["pattern"] = RECORDINGS.replace(".*", "*")
    list_files(study.settings())
    assert sorted(written(study)["path"]) == sorted(
        name for name in study.files if name.startswith("rec") and name.endswith((".csv", "n.tsv"))
    )
    pattern = FilePattern(
        pattern="sub-{athlete_id}/sub-{athlete_id}_task-{task}_run-{trial}_motion.tsv",
        words={"task": {"dropjump": "drop_vertical_jump"}},
    )
    paths = [
        "sub-A1/sub-A1_task-dropjump_run-02_motion.tsv",
        "sub-A1/sub-A2_task-dropjump_run-1_motion.tsv",  # another athlete than its folder
        "sub-A1/sub-A1_task-stroll_run-1_motion.tsv",  # no task of the study
    ]
    files, others = named_files(paths, pattern, {"task": ["cut"]})
    assert [file.cells for file in files] == [
        {"athlete_id": "A1", "task": "drop_vertical_jump", "trial": "02"}
    ]
    assert others == sorted(paths[1:])


def refused(study):
    with pytest.raises(StudyError) as caught:
        list_files(study.settings())
    return caught.value.problems


def test_no_file_fits(study):
    study.tables.pop("recordings")
    study.study["file_patterns"]["recordings"]["pattern"] = "x/" + RECORDINGS
    (problem,) = refused(study)
    assert (problem.rule, problem.column) == ("no_file_fits", "file_patterns: recordings")
    assert "none of which fits" in problem.found


def test_two_files_tell_one_row(study):
    study.tables.pop("recordings")
    path = "recordings/A0001/clearance/single_leg_drop_landing.left.1.plates.csv"
    study.files[path.replace(".csv", ".copy")] = b"1"
    (problem,) = refused(study)
    assert problem.rule == "two_files_for_one_row"
    assert problem.file == path
    assert problem.found.endswith(f"the same row of recordings as {path.replace('.csv', '.copy')}")


@pytest.mark.parametrize(
    ("pattern", "words", "part"),
    [
        ("raw/{athlete_id}_{visit}_{task}_{limb}.csv", {}, "does not tell trial, device"),
        (RECORDINGS + "{surgeon}", {}, "names 'surgeon', expected columns of the table"),
        (RECORDINGS, {"side": {"L": "left"}}, "names 'side'"),
    ],
)
def test_a_pattern_that_cannot_tell_a_row(tmp_path, pattern, words, part):
    study = SmallStudy(tmp_path)
    study.study["file_patterns"] = {"recordings": {"pattern": pattern, "words": words}}
    assert any(part in problem.render() for problem in study.problems())


def test_a_height_without_a_box(tmp_path):
    study = SmallStudy(tmp_path)
    study.study["tasks"]["countermovement_jump"]["box_height_m"] = 0.3
    assert any("box is not true" in problem.render() for problem in study.problems())


def test_the_command_tells_a_refusal_in_a_sentence(study, capsys):
    study.tables.pop("recordings")
    settings = study.settings()
    main(["--settings", str(settings.folder)])
    assert "7 rows" in capsys.readouterr().out
    (study.folder / "recordings.csv").unlink()
    study.study["file_patterns"]["recordings"]["pattern"] = "x/" + RECORDINGS
    study.write()
    (study.folder / "recordings.csv").unlink(missing_ok=True)
    with pytest.raises(SystemExit, match="none of which fits"):
        main(["--settings", str(settings.folder)])
