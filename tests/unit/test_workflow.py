"""Shards: stable, digest over what they read, and lenient where intake will report."""

import dataclasses
import os
import re
from pathlib import Path

import pytest

from shared import workflow
from shared.layout import shard_of
from shared.settings.load import load_settings
from shared.sources import ROOT
from shared.workflow import Study

ATHLETES = "athlete_id,site,sex,mass_kg\n" + "".join(
    f"A{n:04d},harbour,female,60\n" for n in range(40)
)
RECORDINGS = "athlete_id,visit,task,limb,trial,device,path\n" + "".join(
    f"A{n:04d},clearance,countermovement_jump,both,1,plates_pair,raw/{n}.csv\n" for n in range(40)
)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "raw").mkdir()
    for n in range(40):
        (tmp_path / "raw" / f"{n}.csv").write_text("x")
    (tmp_path / "athletes.csv").write_text(ATHLETES)
    (tmp_path / "recordings.csv").write_text(RECORDINGS)
    return tmp_path


def open_at(folder: Path) -> Study:
    settings = load_settings(ROOT / "config")
    study = settings.study.model_copy(update={"study_folder": str(folder)})
    return Study(dataclasses.replace(settings, study=study))


def digests(folder):
    study = open_at(folder)
    return {shard: study.digest_of(shard) for shard in study.shards}


def test_shard_of_an_athlete_is_fixed_for_all_time():
    """Values computed once from SHA-256 with another tool (sha256sum, first 8 bytes, modulo 8)."""
    assert [shard_of(code, 8) for code in ("A0001", "A0002", "A0003")] == [5, 7, 4]


def test_every_file_lies_in_exactly_one_shard(folder):
    study = open_at(folder)
    files = [file for shard in study.shards for file in study.raw_of(shard)]
    assert len(files) == len(set(files)) == 40


def test_a_changed_row_changes_the_digest_of_its_shard_only(folder):
    before = digests(folder)
    (folder / "athletes.csv").write_text(
        ATHLETES.replace("A0007,harbour,female,60", "A0007,harbour,female,61")
    )
    after = digests(folder)
    changed = {shard for shard in before if before[shard] != after[shard]}
    assert changed == {f"shard-{shard_of('A0007', 8):03d}"}


def test_a_column_that_extraction_does_not_read_changes_no_digest(folder):
    before = digests(folder)
    (folder / "athletes.csv").write_text(ATHLETES.replace("female", "male"))
    assert digests(folder) == before


def test_missing_tables_and_files_are_left_for_intake(folder):
    (folder / "raw" / "3.csv").unlink()
    assert sum(len(open_at(folder).raw_of(s)) for s in open_at(folder).shards) == 39
    (folder / "recordings.csv").write_text("")
    assert sum(len(open_at(folder).raw_of(s)) for s in open_at(folder).shards) == 0
    (folder / "athletes.csv").unlink()
    assert open_at(folder).tables() == [t for t in open_at(folder).tables() if "athletes" not in t]


def test_bench_recordings_concern_all_shards_and_change_no_digest(folder):
    """They are inputs of one step; its result is an input of every shard."""
    before, listing = digests(folder), open_at(folder).listing()
    assert open_at(folder).bench.raw == []
    (folder / "unit.csv").write_text("time,force\n")
    (folder / "unit_calibrations.csv").write_text(
        "unit_code,device,kind,position,known_value,path\n"
        "plates-1,plates,plate_load,left,20,unit.csv\n"
        "plates-1,plates,plate_load,left,40,missing.csv\n"
    )
    study = open_at(folder)
    assert [Path(path).name for path in study.bench.raw] == ["unit.csv"]
    assert any(path.endswith("unit_calibrations.csv") for path in study.tables())
    assert digests(folder) == before
    assert study.listing() != listing
    digest = study.bench.digest
    text = (folder / "unit_calibrations.csv").read_text()
    (folder / "unit_calibrations.csv").write_text(text.replace("left,40", "left,45"))
    assert open_at(folder).bench.digest != digest


@pytest.mark.parametrize("file", sorted(ROOT.glob("*/rules/*.smk")), ids=lambda file: file.stem)
def test_every_rule_runs_again_when_the_code_of_its_own_step_changes(file):
    text = file.read_text(encoding="utf-8")
    steps = re.findall(r'\bstep="([\w.:]+)"', text)
    watched = re.findall(
        r'step="[\w.:]+",\s+rerun_when_code_changes=code_of\(\s*"([\w.:]+)"\s*\)', text
    )
    assert steps == watched


def test_the_digest_of_code_follows_content_and_nothing_else(tmp_path, monkeypatch):
    own, other = tmp_path / "own.py", tmp_path / "other.py"
    for path in (own, other):
        path.write_text("x = 1\n")
    monkeypatch.setattr(workflow, "ROOT", tmp_path)
    monkeypatch.setattr(workflow, "sources_of", lambda step: (own,))

    def digest() -> str:
        workflow._digest.cache_clear()
        return workflow.code_of("own:step")

    before = digest()
    os.utime(own, (0, 0))
    other.write_text("x = 2\n")
    assert digest() == before
    own.write_text("x = 2\n")
    assert digest() != before
    own.write_text("x = 1\n")
    assert digest() == before
    workflow._digest.cache_clear()
