"""The export of a run: an RO-Crate 1.1 that its library reads, without rows of participants.

Source of the demands on the metadata file: RO-Crate Metadata Specification 1.1,
https://w3id.org/ro/crate/1.1, sections "Root Data Entity" and "Data Entities".
"""

import json
import re
import shutil
from pathlib import Path

import pytest

from analysis.export.plain_tables import PlainTable, plain_table
from analysis.export.ro_crate import METADATA, describe_crate, export_crate, main
from analysis.tables.journal import JournalTable, Row, as_html
from shared.errors import StudyError
from shared.provenance import sha256_of_file
from shared.sources import ROOT


@pytest.fixture
def settings(tmp_path) -> Path:
    """The demo's settings beside a small finished run."""
    config = tmp_path / "project/config"
    shutil.copytree(ROOT / "config", config, ignore=shutil.ignore_patterns("environment"))
    results = tmp_path / "project/demo/results"
    (results / "report/shareable/tables").mkdir(parents=True)
    (results / "report/shareable/report.html").write_text("<p>report</p>", encoding="utf-8")
    (results / "report/shareable/tables/rates.csv").write_text("a,b\n", encoding="utf-8")
    (results / "tables").mkdir()
    (results / "tables/datapackage.json").write_text("{}", encoding="utf-8")
    (results / "tables/metrics.parquet").write_bytes(b"rows of athletes")
    return config


def test_the_library_reads_the_crate(settings, tmp_path):
    rocrate = pytest.importorskip("rocrate.rocrate")
    export_crate(settings, tmp_path / "crate")
    crate = rocrate.ROCrate(str(tmp_path / "crate"))
    assert crate.name.startswith("Landing metrics at clearance")
    assert str(crate.metadata["conformsTo"]) == "https://w3id.org/ro/crate/1.1"
    files = {entity.id for entity in crate.data_entities}
    assert {"report/report.html", "report/tables/rates.csv", "settings/plan.yaml"} <= files
    run = crate.dereference("#run")
    assert run["instrument"].id == "#landing-cohort"
    assert "report/report.html" in {entity.id for entity in run["result"]}
    crate.write(str(tmp_path / "written"))
    assert (tmp_path / "written/report/report.html").is_file()


def test_the_metadata_keep_the_demands_of_the_standard(settings, tmp_path):
    metadata = export_crate(settings, tmp_path / "crate")
    content = json.loads(metadata.read_text(encoding="utf-8"))
    assert content["@context"] == "https://w3id.org/ro/crate/1.1/context"
    entities = {entity["@id"]: entity for entity in content["@graph"]}
    assert len(entities) == len(content["@graph"])
    assert entities[METADATA]["about"] == {"@id": "./"}
    root = entities["./"]
    for name in ("name", "description", "datePublished", "license"):
        assert root[name], name
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", root["datePublished"])
    found = {
        path.relative_to(metadata.parent).as_posix()
        for path in metadata.parent.rglob("*") if path.is_file() and path != metadata
    }  # fmt: skip
    assert {part["@id"] for part in root["hasPart"]} == found
    for name in found:
        path = metadata.parent / name
        assert entities[name]["sha256"] == sha256_of_file(path)
        assert entities[name]["contentSize"] == str(path.stat().st_size)
    for entity in content["@graph"]:
        for value in entity.values():
            for link in value if isinstance(value, list) else [value]:
                if isinstance(link, dict) and not link["@id"].startswith("https://"):
                    assert link["@id"] in entities, link


def test_no_row_of_participants_and_no_place_goes_along(settings, tmp_path):
    metadata = export_crate(settings, tmp_path / "crate")
    files = [path for path in metadata.parent.rglob("*") if path.is_file()]
    assert not [path for path in files if path.suffix == ".parquet"]
    assert str(tmp_path) not in metadata.read_text(encoding="utf-8")


def test_the_same_run_gives_the_same_bytes(settings, tmp_path):
    first, second = (export_crate(settings, tmp_path / name) for name in ("one", "two"))
    assert first.read_bytes() == second.read_bytes()
    before = json.loads(first.read_text(encoding="utf-8"))
    (tmp_path / "two/report/report.html").write_text("another", encoding="utf-8")
    after = describe_crate(tmp_path / "two", "title", "question", "2026-03-02")
    assert after != before


def test_an_edition_with_rows_is_refused(settings, tmp_path, capsys):
    edition = settings.parent / "demo/results/report/shareable"
    (edition / "numbers.parquet").write_bytes(b"rows")
    with pytest.raises(StudyError, match=r"numbers\.parquet"):
        export_crate(settings, tmp_path / "crate")
    shutil.rmtree(edition)
    assert main(["--settings", str(settings), "--to", str(tmp_path / "crate")]) == 1
    assert "make study" in capsys.readouterr().err


def test_a_folder_in_use_is_left_alone(settings, tmp_path):
    (tmp_path / "crate").mkdir()
    (tmp_path / "crate/thesis.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match="another folder"):
        export_crate(settings, tmp_path / "crate")
    assert [path.name for path in (tmp_path / "crate").iterdir()] == ["thesis.txt"]


def test_a_table_comes_back_from_its_fragment():
    table = JournalTable(
        "rates", "Rates & risks", ("Group", "n"), (Row(("All",)), Row(("women", "<"))), ("A note.",)
    )
    assert plain_table(as_html(table, 3)) == PlainTable(
        "rates", "3", "Rates & risks", ["Group", "n"], [["All"], ["women", "<"]], ["A note."]
    )
    assert plain_table(as_html(JournalTable("x", "X", (), (), absent="no reason"), 1)) is None


def test_the_same_tables_give_the_same_document():
    pytest.importorskip("docx")
    from analysis.export.word import as_docx

    table = PlainTable("rates", "1", "Rates", ["Group", "n"], [["All"], ["women", "12"]], ["Note"])
    first, second = (as_docx("Study", [table], "2026-03-02") for _ in range(2))
    assert first == second


def test_special_letters_are_escaped_for_latex():
    from analysis.export.latex import as_latex

    text = as_latex("rates", "50 % & more_", ["a", "b"], [["\u2212" + "1", "<\u00a03"]], [])
    assert r"\caption{50 \% \& more\_}" in text
    assert r"\ensuremath{-}1 & \textless{}~3 \\" in text
    assert text.count("{tabular}") == 2
