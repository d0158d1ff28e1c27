"""What is written, removed and kept when an athlete withdraws consent."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from snakemake.persistence.file import FilePersistence

from pipeline.withdrawal.marks import Marks
from pipeline.withdrawal.products import engine_files, independent, made_by_workflow, remove
from pipeline.withdrawal.study_table import add_withdrawal
from shared.errors import StudyError
from shared.withdrawals import athlete_of, withdrawn_athletes

TEXTS = {
    "one column": ("withdrawals.csv", b"athlete_id\nA1\n", b"athlete_id\nA1\nA2\n"),
    "no line end": ("withdrawals.csv", b"athlete_id\nA1", b"athlete_id\nA1\nA2\n"),
    "header only": ("withdrawals.csv", b"athlete_id,raw_data\n", b"athlete_id,raw_data\nA2,kept\n"),
    "other order": (
        "withdrawals.csv",
        b"x;raw_data;athlete_id",
        b"x;raw_data;athlete_id\n;kept;A2\n",
    ),
    "other system": (
        "withdrawals.tsv",
        b"\xef\xbb\xbfathlete_id\traw_data\r\nA1\tkept\r\n",
        b"\xef\xbb\xbfathlete_id\traw_data\r\nA1\tkept\r\nA2\tkept\r\n",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", TEXTS)
def test_a_row_is_added_in_the_form_of_the_table(case, tmp_path):
    name, before, after = TEXTS[case]
    (tmp_path / name).write_bytes(before)
    assert add_withdrawal(tmp_path, "A2").read_bytes() == after
    assert "A2" in withdrawn_athletes(tmp_path)
    assert add_withdrawal(tmp_path, "A2").read_bytes() == after
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_the_first_row_makes_the_table(tmp_path):
    path = add_withdrawal(tmp_path, "A2")
    assert path.read_text() == "athlete_id,raw_data\nA2,kept\n"


def test_a_row_is_added_to_a_parquet_table(tmp_path):
    pd.DataFrame({"athlete_id": ["A1"]}).to_parquet(tmp_path / "withdrawals.parquet")
    add_withdrawal(tmp_path, "A2")
    assert withdrawn_athletes(tmp_path) == {"A1", "A2"}


def test_a_table_without_the_column_is_refused_and_left_alone(tmp_path):
    (tmp_path / "withdrawals.csv").write_text("athlete\n")
    with pytest.raises(StudyError, match="no column athlete_id"):
        add_withdrawal(tmp_path, "A2")
    assert (tmp_path / "withdrawals.csv").read_text() == "athlete\n"


def test_the_athlete_in_the_name_of_a_recording_may_have_dots():
    assert athlete_of("A.1.clearance.cut.left.1.plates") == "A.1"
    assert athlete_of("no recording") == "no recording"


@pytest.fixture
def study(tmp_path, monkeypatch):
    """Results of two shards with the engine's records of them, and a file of somebody else.

    The records are named by the engine's own function, with one name that is cut.
    """
    monkeypatch.chdir(tmp_path)
    results, engine = Path("results"), Path(".snakemake")
    long = f"results/tables/{'x' * 200}.parquet"
    files = {
        "results/extraction/shard-000/metrics.parquet": "A2 and others",
        "results/extraction/shard-000/landings.parquet": "nobody",
        "results/extraction/shard-001/metrics.parquet": "A1 alone",
        "results/extraction/shard-001/landings.parquet": "nobody",
        "results/tables/unit_calibrations.parquet": "units",
        "results/tables/estimates.parquet": "a mean of all",
        long: "a mean of all",
        "results/r_bundle/one.csv": "A2",
        "other/tables/metrics.parquet": "A2",
    }
    outputs = [*(name for name in files if "r_bundle" not in name), "results/r_bundle"]
    outputs += ["results/native_rate/shard-000/metrics.parquet"]
    notes = {"results/manifest.json": "{}", "results/notes.txt": "A2 by hand"}
    notes |= {f"results/logs/extract_shard-00{n}.log": "finished" for n in (0, 1)}
    notes |= {".snakemake/log/1.log": "input: raw/A2.csv", ".snakemake/scripts/x.py": "A1"}
    for name, text in (files | notes).items():
        path = Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    (engine / "metadata").mkdir()
    namer = SimpleNamespace(_fetch_max_len=lambda subject: 255)
    for output in outputs:
        record = Path(FilePersistence._record_path(namer, str(engine / "metadata"), output))
        record.parent.mkdir(parents=True, exist_ok=True)
        alone = "shard-001" in output or "unit" in output
        record.write_text(f'{{"input": ["raw/{"A1" if alone else "A2"}.csv"]}}')
    return results, engine, long


MARKS = [Marks("A2", frozenset({"A1"}), ("clearance",))]


def names(files) -> list[str]:
    return sorted(path.as_posix() for path in files)


def test_the_files_of_the_workflow_are_known_by_the_records_of_the_engine(study):
    results, engine, long = study
    made = names(made_by_workflow(results, engine))
    assert long in made
    assert "results/r_bundle/one.csv" in made
    assert "results/notes.txt" not in made
    assert not [name for name in made if name.startswith("other")]
    assert len(made) == 11


def test_only_whole_shards_without_the_athlete_are_kept(study):
    results, engine, _ = study
    kept = independent(results, made_by_workflow(results, engine), MARKS)
    assert names(kept) == [
        "results/extraction/shard-001/landings.parquet",
        "results/extraction/shard-001/metrics.parquet",
        "results/logs/extract_shard-001.log",
        "results/tables/unit_calibrations.parquet",
    ]


def test_everything_else_goes_with_its_records(study):
    results, engine, _ = study
    made = made_by_workflow(results, engine)
    kept = independent(results, made, MARKS)
    gone = remove(results, engine, made, kept, MARKS)
    assert len(gone) == len(made) - len(kept) == 7
    left = [path for path in results.rglob("*") if path.is_file()]
    assert set(left) == {*kept, results / "notes.txt"}
    assert not (results / "r_bundle").exists()
    records = [path for path in (engine / "metadata").rglob("*") if path.is_file()]
    assert len(records) == 4  # of the three kept outputs, and of the other study
    assert not (engine / "log" / "1.log").exists()
    assert (engine / "scripts" / "x.py").exists()
    assert len(engine_files(results, engine)) == 4


def test_a_removal_that_was_cut_off_is_finished_by_the_next(study):
    results, engine, _ = study
    for name in ("manifest.json", "extraction/shard-000/metrics.parquet"):
        (results / name).unlink()
    made = made_by_workflow(results, engine)
    kept = independent(results, made, MARKS)
    remove(results, engine, made, kept, MARKS)
    assert not (results / "tables" / "estimates.parquet").exists()
