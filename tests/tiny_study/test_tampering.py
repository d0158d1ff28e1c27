"""Whatever is changed in a finished study, the check finds it; an untouched study has no finding.

Each kind of tampering must be found by the manifest and, where a second witness exists, by that one
too: whoever changes a file may change the manifest as well.
"""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis.audit.check.__main__ import CHECKS, check_study, main
from analysis.audit.check.finding import Files, differing
from analysis.audit.study_folder import open_folder
from shared.manifest import FILE, read_manifest

MANIFEST = "files against the manifest"
Tamper = Callable[[Path], None]


def frame(change: Callable[[pd.DataFrame], pd.DataFrame], name: str) -> Tamper:
    """Change the rows of a table, its metadata kept."""

    def tamper(root: Path) -> None:
        path = root / "results" / f"{name}.parquet"
        table = pq.read_table(path)
        changed = change(table.to_pandas())
        new = pa.Table.from_pandas(changed, schema=table.schema, preserve_index=False)
        pq.write_table(new.replace_schema_metadata(table.schema.metadata), path)

    return tamper


def cell(name: str, column: str, change: Callable = lambda value: value * 1.001) -> Tamper:
    """Change the first filled value of a column."""

    def one(table: pd.DataFrame) -> pd.DataFrame:
        row = table[column].first_valid_index()
        table.loc[row, column] = change(table.loc[row, column])
        return table

    return frame(one, name)


def metadata(name: str, change: Callable[[dict], dict]) -> Tamper:
    def tamper(root: Path) -> None:
        path = root / "results" / f"{name}.parquet"
        table = pq.read_table(path)
        held = {key.decode(): value.decode() for key, value in table.schema.metadata.items()}
        pq.write_table(table.replace_schema_metadata(change(held)), path)

    return tamper


def text(name: str, pattern: str, replacement: str) -> Tamper:
    """Change the first match of a pattern in a text file."""

    def tamper(root: Path) -> None:
        path = root / name
        before = path.read_text(encoding="utf-8")
        after = re.sub(pattern, replacement, before, count=1, flags=re.M)
        assert after != before
        path.write_text(after, encoding="utf-8")

    return tamper


def other_hash(held: dict) -> dict:
    inputs = json.loads(held["inputs"])
    return {**held, "inputs": json.dumps({**inputs, "metrics": "0" * 64})}


def raw_files_of(root: Path) -> list[Path]:
    rows = pd.read_parquet(root / "results/tables/recordings.parquet")
    return [root / "study" / path for path in sorted(set(rows["path"]))]


def one_raw_sample(root: Path) -> None:
    file = raw_files_of(root)[0]
    lines = file.read_text(encoding="utf-8").splitlines()
    middle = len(lines) // 2
    cells = lines[middle].split(",")
    cells[-1] = repr(float(cells[-1]) + 1e-6)
    lines[middle] = ",".join(cells)
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")


def swapped_raw_files(root: Path) -> None:
    one, other = raw_files_of(root)[:2]
    content = one.read_bytes()
    one.write_bytes(other.read_bytes())
    other.write_bytes(content)


def lost_raw_file(root: Path) -> None:
    raw_files_of(root)[0].unlink()


def standing_sample(root: Path) -> None:
    rows = pd.read_parquet(root / "results/tables/calibrations.parquet")
    file = root / "study" / rows["path"].iloc[0]
    file.write_bytes(file.read_bytes() + b"\n")


def frozen_anew(root: Path) -> None:
    """Settings and frozen plan changed together, as if it had been the plan from the beginning."""
    from analysis.freeze import freeze

    text("config/plan.yaml", r"^power: [\d.]+", "power: 0.9")(root)
    (root / "config" / "frozen_plan.json").unlink()
    freeze(root / "config", "2026-04-01", reason="")


def swapped_tables(root: Path) -> None:
    folder = root / "results" / "report" / "tables"
    shutil.copy(folder / "quality_metrics.csv", folder / "data_quality.csv")


def lost_file(root: Path) -> None:
    (root / "results/report/figures/flow.csv").unlink()


def stray_file(root: Path) -> None:
    (root / "results/report/tables/more.csv").write_text("a\n1\n", encoding="utf-8")


def cut_short(root: Path) -> None:
    path = root / "results/tables/metrics.parquet"
    path.write_bytes(path.read_bytes()[:-40])


def without_first(table: pd.DataFrame) -> pd.DataFrame:
    return table.iloc[1:]


def first_twice(table: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([table, table.iloc[:1]])


def in_another_order(table: pd.DataFrame) -> pd.DataFrame:
    return table.iloc[::-1]


def with_a_filled_value(table: pd.DataFrame) -> pd.DataFrame:
    row = (1, "E01", "flight_time_jump", 0.5, "missing")
    return pd.concat([table, pd.DataFrame([row], columns=table.columns)])


def added(column: str) -> Callable[[pd.DataFrame], pd.DataFrame]:
    return lambda table: pd.concat(
        [table, table.iloc[-1:].assign(**{column: f"{table[column].iloc[-1]}x"})]
    )


DESCRIBED = "tables against their description"
INPUTS = "inputs of every table"
ESTIMATES = "estimates against their steps"
PAGES = "pages against the ledger"
UNADDRESSED = "numbers without an address"
CELLS = "tables as CSV and HTML"
DRAWN = "figures on the pages"
FROZEN = "settings against the frozen plan"
SHARDS = "joined tables against shards"
SUMMARIES = "summaries against landings"

TAMPERING: dict[str, tuple[Tamper, str | None]] = {
    "a value of metrics": (cell("tables/metrics", "value"), SHARDS),
    "the last digit of a value": (
        cell("tables/metrics", "value", lambda value: np.nextafter(value, np.inf)),
        SHARDS,
    ),
    "a value declared valid or not": (
        cell("tables/metrics", "valid", lambda value: not value),
        SUMMARIES,
    ),
    "a row of metrics dropped": (frame(without_first, "tables/metrics"), SHARDS),
    "a row of metrics added": (
        frame(added("landing_id"), "tables/metrics"),
        "values against landings",
    ),
    "rows of metrics in another order": (frame(in_another_order, "tables/metrics"), INPUTS),
    "a filled-in value": (frame(with_a_filled_value, "tables/filled_values"), DESCRIBED),
    "a row of metrics twice": (frame(first_twice, "tables/metrics"), "schemas and keys"),
    "a contact of a landing": (cell("tables/landings", "initial_contact_s"), SHARDS),
    "a mean of an athlete": (cell("tables/summaries", "mean"), SUMMARIES),
    "a predictor in the cohort": (cell("tables/cohort", "age_at_surgery_years"), INPUTS),
    "an athlete dropped from the cohort": (frame(without_first, "tables/cohort"), INPUTS),
    "an estimate": (cell("tables/estimates", "estimate"), ESTIMATES),
    "a note of an estimate": (cell("tables/estimates", "note", lambda _: "fine"), ESTIMATES),
    "an estimate of its step": (cell("models/sensor_quality", "estimate"), ESTIMATES),
    "an estimate dropped": (frame(without_first, "tables/estimates"), ESTIMATES),
    "a printed text in the ledger": (
        cell("tables/ledger", "display", lambda _: "17"),
        "ledger against estimates",
    ),
    "the address of a printed number": (
        cell("tables/ledger", "number_id", lambda name: f"{name}x"),
        "ledger against estimates",
    ),
    "a value of a shard": (cell("extraction/shard-000/metrics", "value"), SHARDS),
    "a calibration": (cell("tables/calibrations", "spread"), INPUTS),
    "a curve of a landing": (cell("tables/waveforms", "value"), DESCRIBED),
    "an age in the checked inputs": (cell("intake/athletes", "age_at_surgery_years"), INPUTS),
    "an exclusion dropped": (frame(without_first, "cohort/exclusions"), INPUTS),
    "a hash in the metadata": (metadata("models/sensor_quality", other_hash), INPUTS),
    "the units in the metadata": (
        metadata("tables/metrics", lambda held: {**held, "units": "{}"}),
        "schemas and keys",
    ),
    "a table cut short": (cut_short, "schemas and keys"),
    "a setting of the processing": (
        text("config/processing.yaml", r"^minimum_valid_trials: \d+", "minimum_valid_trials: 7"),
        FROZEN,
    ),
    "a setting of the study": (text("config/study.yaml", r"^title: .*$", "title: Another"), INPUTS),
    "the plan after the freeze": (
        text("config/plan.yaml", r"^power: [\d.]+", "power: 0.9"),
        FROZEN,
    ),
    "the content of the frozen plan": (
        text("config/frozen_plan.json", r'"power": [\d.]+', '"power": 0.9'),
        FROZEN,
    ),
    "the plan, frozen anew": (frozen_anew, None),
    "one raw sample": (one_raw_sample, "raw files"),
    "raw files swapped": (swapped_raw_files, "raw files"),
    "a raw file lost": (lost_raw_file, "raw files"),
    "a calibration recording": (standing_sample, "raw files"),
    "a study table": (text("study/athletes.csv", r"female|male", "other"), INPUTS),
    "a number on the page": (
        text("results/report/report.html", r'(data-number="[^"]+">)\d+', r"\g<1>17171"),
        PAGES,
    ),
    "a number typed into the page": (
        text("results/report/report.html", r"</body>", "<p>p = 0.01</p></body>"),
        PAGES,
    ),
    "a number in a reason": (
        text("results/report/report.html", r'data-exempt="reason">', r"\g<0>417 events, "),
        UNADDRESSED,
    ),
    "a number typed into the checklists": (
        text("results/report/checklist.html", r"</main>", "<p>n = 120</p></main>"),
        UNADDRESSED,
    ),
    "a number taken off the page": (
        text("results/report/report.html", r'<a class="number" id=[^>]+>[^<]+</a>', ""),
        PAGES,
    ),
    "a number in a table as CSV": (
        text("results/report/tables/quality_metrics.csv", r",(\d+)", ",17171"),
        CELLS,
    ),
    "a number in a table as HTML": (
        text("results/report/numbers/quality_metrics.html", r'(number="[^"]+">)\d+', r"\g<1>9"),
        CELLS,
    ),
    "a table in place of another": (swapped_tables, CELLS),
    "a word of a drawing on the page": (
        text("results/report/report.html", r"Enrolled", "Screened"),
        DRAWN,
    ),
    "a number of a drawing": (
        text("results/report/figures/flow.svg", r"(<text [^>]*>)\d+(</text>)", r"\g<1>17171\2"),
        DRAWN,
    ),
    "a caption": (
        text("results/report/report.html", r"<figcaption>.*\n?", "<figcaption>Fewer "),
        DRAWN,
    ),
    "the data of a figure": (
        text("results/report/figures/flow.csv", r",(\d+\.\d+)$", ",17171.0"),
        "data of figures",
    ),
    "a value on the audit page": (
        text("results/report/audit.html", r"estimate <b>[\d.]+", "estimate <b>17171.5"),
        "audit page against estimates",
    ),
    "the bytes of a picture": (
        lambda root: (root / "results/report/figures/flow.png").write_bytes(b"another"),
        None,
    ),
    "a file lost": (lost_file, None),
    "a file added": (stray_file, None),
}
NOT_BY_MANIFEST = {"raw", "calibration recording", "study table"}


@pytest.fixture
def copied(audited, tmp_path) -> Path:
    return shutil.copytree(audited, tmp_path / "moved")


def found_in(root: Path) -> dict[str, list]:
    return check_study(open_folder(root / "results", None))


def test_an_untouched_study_has_no_finding(audited, capsys):
    begin = time.process_time()
    assert main(["--results", str(audited / "results")]) == 0
    assert time.process_time() - begin < 10.0  # 0.4 s on a quiet machine
    shown = capsys.readouterr().out
    assert shown.count(": agree") == len(CHECKS)


def test_another_folder_changes_nothing(copied):
    assert not any(found_in(copied).values())


@pytest.mark.parametrize("kind", TAMPERING)
def test_every_kind_of_tampering_is_found(copied, kind):
    tamper, witness = TAMPERING[kind]
    tamper(copied)
    files = Files(open_folder(copied / "results", None))
    found = {name: list(CHECKS[name](files)) for name in (MANIFEST, witness) if name}
    assert witness is None or found[witness]
    if not any(word in kind for word in NOT_BY_MANIFEST):
        assert found[MANIFEST]
    for findings in found.values():
        for finding in findings:
            assert finding.place
            assert str(copied) not in str(finding)


def test_a_finding_says_where_what_and_what_was_expected(copied, capsys):
    cell("tables/metrics", "value", lambda _: 17.25)(copied)
    row = pd.read_parquet(copied / "results/tables/metrics.parquet").iloc[0]
    assert main(["--results", str(copied / "results")]) == 1
    shown = capsys.readouterr().out
    assert f"tables/metrics: {row['landing_id']}/{row['metric']}/{row['sensor']}, value" in shown
    assert "found     17.25" in shown
    assert "(shards of the extraction)" in shown


def test_a_study_without_manifest_says_so(copied):
    (copied / "results" / FILE).unlink()
    assert [finding.place for finding in found_in(copied)[MANIFEST]] == [FILE]


def test_a_folder_that_is_no_study_is_refused(tmp_path, capsys):
    assert main(["--results", str(tmp_path)]) == 2
    assert "run to its end" in capsys.readouterr().err


def test_the_manifest_names_neither_folder_nor_clock(audited, copied):
    content = (copied / "results" / FILE).read_text(encoding="utf-8")
    assert str(audited) not in content
    assert read_manifest(copied / "results")["files"].keys() >= {"tables/metrics.parquet"}
    assert not re.search(r"\d{4}-\d\d-\d\d|logs/", content)


def test_differing_cells():
    left = pd.DataFrame({"k": ["a", "b", "c"], "x": [1.0, None, 3.0]})
    right = pd.DataFrame({"k": ["a", "b", "d"], "x": [1.5, None, 3.0]})
    assert list(differing(left, right, ["k"], ["x"])) == [
        ("c", "row", "a row", "no row"),
        ("d", "row", "no row", "a row"),
        ("a", "x", 1.0, 1.5),
    ]
