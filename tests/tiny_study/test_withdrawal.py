"""A withdrawal from the first word to the last, on a small simulated study made in this process.

The steps of the study run by themselves here. That the workflow engine runs the right ones, and
that the search finds all that a whole study writes of an athlete, is tested in test_end_to_end.py.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import shutil
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from snakemake.persistence.file import FilePersistence

from analysis.audit.check.__main__ import check_study
from analysis.audit.study_folder import open_folder
from pipeline import run_study, withdraw
from pipeline.simulate.cohort import simulate_study
from pipeline.simulate.settings import SimulationSettings
from shared.layout import shard_name, shard_of
from shared.manifest import write_manifest
from shared.settings.load import load_settings
from shared.settings.strict import load
from shared.tables import read_table
from tests.tiny_study.audited import write_models, write_pages
from tests.tiny_study.extracted import extract
from tests.tiny_study.settings import write_settings

SHARDS = 3
ATHLETE = "A0004"
FILES = ("tables/recordings", "tables/metrics", "tables/cohort", "intake/athletes")


def make(folder: Path, *, until_pages: bool = True) -> None:
    """Run the steps of the study; the engine's records are written under the engine's names."""
    settings = load_settings(folder / "config")
    results = settings.results_folder
    extract(settings, results)
    if not until_pages:
        return
    write_models(results, settings)
    write_pages(results, settings)
    write_manifest(results, settings)
    records = folder / ".snakemake" / "metadata"
    records.mkdir(parents=True, exist_ok=True)
    namer = SimpleNamespace(_fetch_max_len=lambda subject: 255)
    for path in sorted(results.rglob("*")):
        if path.is_file() and path.suffix != ".txt":  # notes of a person
            output = path.relative_to(folder).as_posix()
            record = Path(FilePersistence._record_path(namer, str(records), output))
            record.parent.mkdir(exist_ok=True)
            record.write_text("{}")


def hashes(folder: Path) -> dict[str, str]:
    results = folder / "demo" / "results"
    return {
        path.relative_to(results).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(results.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    """A finished study of six athletes in three shards; not to be changed."""
    folder = tmp_path_factory.mktemp("six")
    config = write_settings(folder, athletes=6, shards=SHARDS)
    text = (config / "study.yaml").read_text(encoding="utf-8")
    (config / "study.yaml").write_text(text[: text.index("demo: ")], encoding="utf-8")
    settings = load_settings(config)
    simulated = load(SimulationSettings, config / "simulate.yaml")
    simulate_study(simulated, settings.study_folder, folder / "demo" / "truth", cores=1)
    make(folder)
    return folder


def copy_of(original: Path, folder: Path, patch: pytest.MonkeyPatch) -> Path:
    """Copy the study, go there, and let the command make the study by `make`."""
    shutil.copytree(original, folder)
    patch.chdir(folder)
    patch.setattr(run_study, "run", lambda options: make(folder) or 0)
    return folder


@pytest.fixture
def study(original, tmp_path, monkeypatch):
    return copy_of(original, tmp_path / "study", monkeypatch)


def command(athlete: str = ATHLETE) -> int:
    return withdraw.main(["--settings", "config", "--athlete", athlete])


def shards_there(folder: Path) -> set[str]:
    """Return the tables of shards that are there, as name@time of writing."""
    shards = sorted((folder / "demo/results/extraction").rglob("*.parquet"))
    return {f"{path.relative_to(folder)}@{path.stat().st_mtime_ns}" for path in shards}


@pytest.fixture(scope="module")
def withdrawn(original, tmp_path_factory):
    """The study after the command, what it said, and the shards before it and when it ran steps."""
    printed = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(printed):
        folder = copy_of(original, tmp_path_factory.mktemp("after") / "study", patch)
        shards = [shards_there(folder)]

        def run(options) -> int:
            shards.append(shards_there(folder))
            make(folder)
            return 0

        patch.setattr(run_study, "run", run)
        assert command() == 0
    return folder, printed.getvalue(), shards


def test_the_athlete_is_in_no_table_and_the_command_says_in_which_it_was(original, withdrawn):
    folder, said, _ = withdrawn
    for name in FILES:
        before = read_table(original / f"demo/results/{name}.parquet")
        after = read_table(folder / f"demo/results/{name}.parquet")
        own = int((before["athlete_id"] == ATHLETE).sum())
        assert own
        assert not (after["athlete_id"] == ATHLETE).any()
        row = next(line.split() for line in said.splitlines() if f" {name}.parquet  " in line)
        assert [int(cell.replace(",", "")) for cell in row[1:]] == [len(before), own, len(after)]
    assert "athletes: 6 before, 5 now" in said
    assert f"nothing is left of {ATHLETE}" in said


def test_the_command_lists_the_raw_data_that_remain(withdrawn):
    folder, said, _ = withdrawn
    assert "demo/study/athletes.csv: row 5" in said
    raw = [path for path in (folder / "demo/study").rglob("*") if ATHLETE in path.parts]
    raw = [file for path in raw for file in sorted(path.rglob("*")) if file.is_file()]
    assert len(raw) > 50
    assert all(f"  {path.relative_to(folder).as_posix()}\n" in said for path in raw)
    assert "backups" in said


def test_the_flow_counts_who_withdrew_and_other_athletes_keep_their_values(original, withdrawn):
    folder, _, _ = withdrawn
    flow = read_table(folder / "demo/results/models/flow_diagram.parquet").set_index("number_id")
    assert flow.loc["flow.excluded.withdrew_consent.count", "estimate"] == 1
    assert flow.loc["flow.enrolled.all.count", "estimate"] == 6
    kept = read_table(original / "demo/results/tables/metrics.parquet")
    kept = kept.loc[kept["athlete_id"] != ATHLETE].reset_index(drop=True)
    pd.testing.assert_frame_equal(
        read_table(folder / "demo/results/tables/metrics.parquet"), kept, check_exact=True
    )


def test_only_the_shard_of_the_athlete_is_removed(withdrawn):
    _, _, (before, then) = withdrawn
    shard = shard_name(shard_of(ATHLETE, SHARDS))
    assert then < before
    assert {name.split("/")[3] for name in before - then} == {shard}
    assert not [name for name in then if f"/{shard}/" in name]
    assert len({name.split("/")[3] for name in then}) == SHARDS - 1


def test_a_table_written_by_hand_gives_the_same_bytes(withdrawn, tmp_path):
    folder, _, _ = withdrawn
    by_hand = tmp_path / "by_hand"
    shutil.copytree(folder, by_hand)
    shutil.rmtree(by_hand / "demo" / "results")
    (by_hand / "demo/study/withdrawals.csv").write_text(f"athlete_id,raw_data\n{ATHLETE},kept\n")
    make(by_hand)
    assert hashes(folder) == hashes(by_hand)


def test_the_check_of_the_study_has_no_finding_and_a_repetition_changes_nothing(
    withdrawn, tmp_path, monkeypatch, capsys
):
    folder = copy_of(withdrawn[0], tmp_path / "again", monkeypatch)
    findings = check_study(open_folder(folder / "demo/results", None))
    assert [finding for of_check in findings.values() for finding in of_check] == []
    monkeypatch.setattr(run_study, "run", lambda options: 0)
    assert command() == 0
    assert "Nothing to remove" in capsys.readouterr().out
    assert hashes(folder) == hashes(withdrawn[0])


def test_a_command_that_was_cut_off_is_finished_by_the_next(study, withdrawn, monkeypatch, capsys):
    def cut_off(options) -> int:
        make(study, until_pages=False)
        return 1

    with monkeypatch.context() as patch:
        patch.setattr(run_study, "run", cut_off)
        assert command() == 1
    assert "repeat this command" in capsys.readouterr().err
    assert not (study / "demo/results/manifest.json").exists()
    assert not (study / "demo/results/tables/estimates.parquet").exists()
    assert command() == 0
    assert "nothing is left" in capsys.readouterr().out
    assert hashes(study) == hashes(withdrawn[0])


def test_what_is_left_is_a_failure_that_names_the_file(withdrawn, tmp_path, monkeypatch, capsys):
    folder = copy_of(withdrawn[0], tmp_path / "noted", monkeypatch)
    monkeypatch.setattr(run_study, "run", lambda options: 0)
    notes = folder / "demo/results/report/notes.txt"
    notes.write_text(f"{ATHLETE} limped\n")
    assert command() == 1
    said = capsys.readouterr()
    assert f"report/notes.txt: {ATHLETE}" in said.err
    assert "report/notes.txt" in said.out  # told as a file that the study did not make
    assert notes.exists()


def test_nobody_is_withdrawn_by_a_slip(study, capsys):
    before = hashes(study)
    assert command("A0O04") == 2
    said = capsys.readouterr().err
    assert "'A0004'" in said
    assert "do not guess" in said
    assert not (study / "demo/study/withdrawals.csv").exists()
    assert hashes(study) == before


def test_a_study_that_cannot_be_made_again_is_not_taken_apart(study, capsys):
    path = study / "demo/study/athletes.csv"
    path.write_text(path.read_text().replace("female", "f", 1))
    before = hashes(study)
    assert command() == 2
    said = capsys.readouterr().err
    assert "Nothing was removed." in said
    assert "column sex" in said
    assert hashes(study) == before


def test_without_the_records_of_the_engine_nothing_is_removed(study, capsys):
    shutil.rmtree(study / ".snakemake")
    before = hashes(study)
    assert command() == 2
    assert "results_without_records" in capsys.readouterr().err
    assert hashes(study) == before
