"""The search for an athlete: whole codes only, in every kind of file, no look-alikes."""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import json
import zipfile
from html import escape
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.withdrawal.marks import Marks, digests_of_others, marks_of
from pipeline.withdrawal.scan import in_content, rows_in, traces

VISITS = ("clearance", "follow_up")


def marks(code: str, *others: str) -> Marks:
    return Marks(code, frozenset(others), VISITS)


def found(text: str, *codes: str) -> bool:
    return bool(list(marks(*codes).in_text(text.encode())))


@pytest.mark.parametrize(
    "text",
    ["A1", "athletes A1; A2", "A1.clearance.cut.left.1.plates", "raw/A1/x.csv", "x_A1_y", '"A1"'],
)
def test_a_code_is_found_as_a_whole_word(text):
    assert found(text, "A1", "A10", "A2")


@pytest.mark.parametrize("text", ["A10", "A1x", "BA1", "A100.clearance", "raw/A10/A11.csv", ""])
def test_a_code_is_not_found_within_another(text):
    assert not found(text, "A1", "A10", "A2")


@pytest.mark.parametrize(("text", "there"), [("S-1-2", False), ("S-1-left", True), ("S-1", True)])
def test_a_code_that_begins_another_is_told_from_it(text, there):
    assert found(text, "S-1", "S-1-2") is there


def test_a_code_is_found_beside_a_longer_one():
    assert found("S-1-2, S-1", "S-1", "S-1-2")
    assert not found("X-S-1", "S-1", "X-S-1")


@pytest.mark.parametrize("write", [str, escape, lambda code: json.dumps(code)[1:-1]])
def test_a_code_is_found_as_pages_and_records_write_it(write):
    assert found(f"<td>{write('Ä&7')}</td>", "Ä&7")
    assert found(r"\textbf{S\_7}", "S_7")
    assert found("study/S%207/x.csv", "S 7")


def test_a_mere_number_counts_only_where_it_names_an_athlete():
    seven = marks("7", "17")
    assert seven.is_ordinary
    assert not list(seven.in_text(b"7 athletes, 7.5 mm, 17.clearance.cut.left.1.plates"))
    assert list(seven.in_text(b"recordings 7.clearance.cut.left.1.plates"))
    assert in_content(b"athlete_id,value\n17,7\n7,1\n", seven, "x.csv") == {"7"}
    assert in_content(b"athlete_id,value\n17,7\n", seven, "x.csv") == set()


def test_a_word_of_the_reports_is_ordinary_and_a_code_is_not():
    assert marks("svg").is_ordinary
    assert not marks("A0001").is_ordinary


def table(frame: pd.DataFrame, **metadata: str) -> bytes:
    buffer = io.BytesIO()
    arrow = pa.Table.from_pandas(frame, preserve_index=False)
    pq.write_table(arrow.replace_schema_metadata(metadata), buffer, compression="zstd")
    return buffer.getvalue()


def archive(name: str, content: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr(name, content)
    return buffer.getvalue()


PLAIN = pd.DataFrame({"value": [1.0, 2.0]})
SHAPES = {
    "cell of a table": table(PLAIN.assign(name=["A10", "A1"])),
    "category of a table": table(PLAIN.assign(name=pd.Categorical(["A1", "A10"]))),
    "list in a table": table(PLAIN.assign(name=[["A10", "A1"], []])),
    "name of a column": table(PLAIN.rename(columns={"value": "of A1"})),
    "metadata of a table": table(PLAIN, inputs='{"raw": "A1"}'),
    "half a table": table(PLAIN, inputs='{"raw": "A1"}')[:-30],
    "document": archive("word/document.xml", b"<w:t>A1</w:t>"),
    "name in an archive": archive("A1.csv", b""),
    "table in an archive": archive("x.parquet", table(PLAIN.assign(name=["A2", "A1"]))),
    "compressed text": gzip.compress(b"see A1"),
    "text of a drawing": b'<svg><path d="M0 0"/><text>A1</text></svg>',
    "drawing in a page": b'<img src="data:image/svg+xml;base64,'
    + base64.b64encode(b"<svg><text>A1</text></svg>") + b'">',
    "text chunk of a picture": b"\x89PNG\r\n\x1a\n\x00\x00\x00\x0atEXtTitle\x00A1\x00\x00\x00\x00",
    "record of the engine": json.dumps({"input": ["study/raw/A1.csv"]}).encode(),
}  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_a_code_is_found_in_every_kind_of_file(shape):
    assert in_content(SHAPES[shape], marks("A1", "A10")) == {"A1"}
    assert in_content(SHAPES[shape], marks("A3")) == set()


def test_what_only_looks_like_a_code_is_not_found():
    """Movements of a pen and base64 spell anything: "+A1/" stands in one picture of thirty."""
    assert in_content(b'<path d="M10 20 A1 1 0"/>', marks("A1")) == set()
    picture = base64.b64encode(base64.b64decode(b"AAA+A1/A"))
    assert b"+A1/" in picture
    assert in_content(b'<img src="data:image/png;base64,' + picture + b'">', marks("A1")) == set()


def test_the_name_of_a_file_counts(tmp_path):
    (tmp_path / "A1").mkdir()
    (tmp_path / "A1" / "x.txt").write_text("nothing")
    files = [tmp_path / "A1" / "x.txt"]
    assert [trace.file for trace in traces(files, tmp_path, [marks("A1")])] == ["A1/x.txt"]


@pytest.fixture
def study(tmp_path):
    """Two athletes whose raw files do not tell them; the second has a file of the first."""
    contents = {"a.csv": b"one", "b.csv": b"two", "c.csv": b"two"}
    for name, content in contents.items():
        (tmp_path / name).write_bytes(content)
    (tmp_path / "athletes.csv").write_text("athlete_id\nA1\nA2\n")
    (tmp_path / "recordings.csv").write_text("athlete_id,path\nA1,a.csv\nA1,b.csv\nA2,c.csv\n")
    return tmp_path


def test_paths_and_hashes_of_raw_files_are_marks_too(study):
    of_first = marks_of("A1", study, VISITS, {"A1", "A2"})
    digest = hashlib.sha256(b"one").hexdigest()
    text = f"x/a.csv {digest} y/ca.csv {digest[:-1]}"
    assert set(of_first.in_text(text.encode())) == {"a.csv", digest}
    assert set(of_first.in_text(b"a.csv.gz c.csv")) == {"a.csv"}
    assert not list(of_first.in_text(b"aa.csv c.csv"))


def test_the_hash_that_stands_for_a_file_and_those_beside_it_is_a_mark(study):
    """The results name BIDS Motion by one SHA-256 over three files (table recordings)."""
    for name, content in ("_motion.tsv", b"0"), ("_channels.tsv", b"name"), ("_motion.json", b"{}"):
        (study / f"x{name}").write_bytes(content)
    (study / "recordings.csv").write_text("athlete_id,path\nA1,x_motion.tsv\nA2,c.csv\n")
    own = [hashlib.sha256(content).hexdigest() for content in (b"0", b"name", b"{}")]
    of_three = hashlib.sha256("\n".join(own).encode()).hexdigest()
    of_first = marks_of("A1", study, VISITS, {"A1", "A2"})
    assert set(of_first.digests) == {*own, of_three}
    (study / "recordings.csv").write_text("athlete_id,path\nA1,x_motion.tsv\nA2,x_motion.tsv\n")
    assert digests_of_others(study, of_first) == {*own, of_three}


def test_bytes_that_somebody_else_recorded_too_are_told(study):
    of_first = marks_of("A1", study, VISITS, {"A1", "A2"})
    assert digests_of_others(study, of_first) == {hashlib.sha256(b"two").hexdigest()}


def test_rows_are_counted_by_the_column_that_names_their_owner(tmp_path):
    path = Path(tmp_path / "x.parquet")
    names = ["A1.clearance.cut.left.1.x", "A10.clearance.cut.left.1.x", "A1"]
    for column in ("athlete_id", "landing_id", "trial_id", "recording_id", "id"):
        path.write_bytes(table(pd.DataFrame({column: names, "value": 1.0})))
        assert rows_in(path, marks("A1", "A10")) == (3, 2)
    path.write_bytes(table(PLAIN))
    assert rows_in(path, marks("A1")) == (2, 0)
