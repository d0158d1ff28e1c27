"""A small study from raw files to its report: same bytes whatever happens on the way."""

import hashlib
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from pipeline.withdrawal.marks import athletes_of, marks_of
from pipeline.withdrawal.products import engine_files, independent, made_by_workflow, remove
from pipeline.withdrawal.scan import traces
from pipeline.withdrawal.study_table import add_withdrawal
from shared.layout import shard_name, shard_of
from shared.sources import ROOT
from shared.tables import read_table
from tests.tiny_study.finished import (
    ATHLETES,
    SHARDS,
    command,
    environment,
    finished_study,
    run,
)
from tests.tiny_study.settings import write_settings

pytestmark = pytest.mark.slow

# Clock times and machine load belong into these, and nowhere else.
NOT_COMPARED = ("logs", "benchmarks")


def started_steps(output: str) -> list[str]:
    return re.findall(r"^ +\d+ s +\S+  (.+)$", output, flags=re.M)


def hashes(folder: Path) -> dict[str, str]:
    results = folder / "demo" / "results"
    return {
        path.relative_to(results).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(results.rglob("*"))
        if path.is_file() and path.relative_to(results).parts[0] not in NOT_COMPARED
    }


def engine_run(folder: Path, target: str, *more: str) -> str:
    """Ask the workflow engine itself for one target; return what it said."""
    done = subprocess.run(
        [
            sys.executable, "-m", "snakemake", target, "--snakefile", str(ROOT / "Snakefile"),
            "--profile", str(ROOT / "config" / "profiles" / "laptop"),
            "--cores", "2", "--config", "settings=config", *more,
        ],
        cwd=folder, env=environment(), check=True, capture_output=True, text=True,
    )  # fmt: skip
    return done.stdout + done.stderr


def shards_read(said: str) -> list[str]:
    return re.findall(r"Reading recordings, finding landings, measuring: (.+)$", said, re.M)


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A study run once on two cores; its folder, and the hash of every file that it made."""
    folder, _ = finished_study(tmp_path_factory)
    return folder, hashes(folder)


def test_the_check_of_a_finished_study_has_no_finding(finished):
    folder, _ = finished
    done = subprocess.run(
        [sys.executable, "-m", "analysis.audit.check", "--results", str(folder / "demo/results")],
        cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr
    assert "Everything agrees." in done.stdout


def test_every_number_of_a_finished_study_resolves_and_comes_out_equal(finished):
    folder, _ = finished
    done = subprocess.run(
        [sys.executable, "-m", "analysis.audit.walk", "--results", str(folder / "demo/results")],
        cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr
    assert done.stdout.count("estimates again, equal") >= 25


WITHDRAWN = "A0013"
NAMES_ITS_ATHLETES = (
    *(f"tables/{name}.parquet" for name in (
        "calibrations", "cohort", "estimates", "exclusions", "flagged_waveforms",
        "force_estimates", "force_held_out", "landings", "metric_sources", "metrics",
        "recordings", "summaries",
    )),
    *(f"intake/{name}.parquet" for name in (
        "athletes", "calibration_index", "exposure", "outcomes", "recordings_index", "visits",
    )),
    *(f"native_rate/tables/{name}.parquet" for name in ("metrics", "recordings", "summaries")),
    *("models/data_quality.parquet", "report/audit.html", "report/flagged.html"),
)  # fmt: skip
"""What must hold the code of the athlete, of whom a recording was rejected by hand."""


def test_the_search_finds_an_athlete_in_every_file_that_must_name_one(finished):
    folder, _ = finished
    results, raw = folder / "demo" / "results", folder / "demo" / "study"
    marks = marks_of(WITHDRAWN, raw, ("clearance", "follow_up"), athletes_of(raw))
    files = sorted(path for path in results.rglob("*") if path.is_file())
    found = list(traces(files, results, [marks]))
    shard = f"extraction/{shard_name(shard_of(WITHDRAWN, SHARDS))}/metrics.parquet"
    assert {*NAMES_ITS_ATHLETES, shard} <= {trace.file for trace in found}
    # The hash of each recording that was read stands in the table of recordings.
    known = set(read_table(results / "tables" / "recordings.parquet")["sha256"])
    hashed = {trace.mark for trace in found if trace.file == "tables/recordings.parquet"}
    assert len(hashed & known) > 50
    assert hashed - {WITHDRAWN} <= set(marks.digests)
    assert not [trace for trace in found if trace.file.startswith("report/shareable/")]


def test_a_withdrawal_reads_only_the_shard_of_its_athlete_again(finished, monkeypatch):
    """The engine says what it would do once the files that were made with the athlete are gone."""
    # Beside the original: the engine notes the project's files relative to the study's.
    folder = finished[0].with_name("withdrawn")
    shutil.copytree(finished[0], folder)
    monkeypatch.chdir(folder)
    results, raw, engine = folder / "demo/results", folder / "demo/study", Path(".snakemake")
    made = made_by_workflow(results, engine)
    assert {path for path in results.rglob("*") if path.is_file()} == set(made)
    add_withdrawal(raw, WITHDRAWN)
    sought = [marks_of(WITHDRAWN, raw, ("clearance", "follow_up"), athletes_of(raw))]
    kept = independent(results, made, sought)
    remove(results, engine, made, kept, sought)
    left = [path for path in results.rglob("*") if path.is_file()]
    assert set(left) == kept
    assert list(traces(left, results, sought)) == []
    assert list(traces(engine_files(results, engine), engine, sought)) == []

    engine_run(folder, "check")  # as a run does it: two calls of the engine
    planned = engine_run(folder, "study", "--dry-run")
    assert shards_read(planned) == [shard_name(shard_of(WITHDRAWN, SHARDS))]
    assert "Calibrating units" not in planned


def kill_after(folder: Path, seconds: float) -> bool:
    """Start the study and kill it with all its children; tell whether it was still running."""
    process = subprocess.Popen(
        command(folder, 1), cwd=folder, env=environment(), start_new_session=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    time.sleep(seconds)
    killed = process.poll() is None
    if killed:
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    return killed


def test_one_core_and_five_kills_give_the_same_bytes(finished, tmp_path):
    _, expected = finished
    write_settings(tmp_path, athletes=ATHLETES, shards=SHARDS)
    moments = random.Random(20260401)
    killed = [kill_after(tmp_path, moments.uniform(2.0, 9.0)) for _ in range(5)]
    assert all(killed[:3])
    run(tmp_path, cores=1)
    assert hashes(tmp_path) == expected


def test_a_finished_study_has_nothing_to_do(finished):
    folder, expected = finished
    started = time.monotonic()
    output = run(folder, cores=2)
    assert started_steps(output) == []
    assert time.monotonic() - started < 30
    assert hashes(folder) == expected


def test_a_corrected_recording_reruns_its_shard_and_what_depends_on_it(finished):
    folder, before = finished
    results = folder / "demo" / "results"
    estimates = read_table(results / "tables" / "estimates.parquet")
    recordings = pd.read_csv(folder / "demo" / "study" / "recordings.csv")
    row = recordings[recordings["path"].str.endswith(".csv")].iloc[0]
    file = folder / "demo" / "study" / row["path"]
    original = file.read_bytes()
    # The last sample lies behind every window: the file changes, the metrics must not.
    file.write_bytes(
        original.rstrip(b"\n") + b"\n\n" if original.endswith(b"\n") else original + b"\n"
    )
    # Up to the numbers: what is drawn and printed of them follows by the same rules.
    engine_run(folder, "check")
    said = engine_run(folder, "demo/results/tables/estimates.parquet")
    assert shards_read(said) == [shard_name(shard_of(row["athlete_id"], SHARDS))]
    # The hash of the file travels through the metadata of what depends on it; no number moves.
    assert hashes(folder)["tables/recordings.parquet"] != before["tables/recordings.parquet"]
    pd.testing.assert_frame_equal(
        read_table(results / "tables" / "estimates.parquet"), estimates, check_exact=True
    )
    file.write_bytes(original)


def test_the_workflow_report_is_made(finished):
    folder, _ = finished
    page = folder / "workflow.html"
    subprocess.run(
        [
            sys.executable, "-m", "snakemake", "study", "--snakefile", str(ROOT / "Snakefile"),
            "--cores", "1", "--config", f"settings={folder / 'config'}", "--report", str(page),
        ],
        cwd=folder, env=environment(), check=True, capture_output=True,
    )  # fmt: skip
    text = page.read_text(encoding="utf-8")
    for category in ("Athletes", "Measurements", "Results", "Tables", "Data quality"):
        assert category in text


def test_no_path_and_no_identifier_of_this_machine_in_any_output(finished):
    folder, _ = finished
    for path in sorted((folder / "demo" / "results").rglob("*")):
        if (
            path.is_file()
            and path.relative_to(folder / "demo/results").parts[0] not in NOT_COMPARED
        ):
            content = path.read_bytes()
            assert str(folder).encode() not in content, path
            assert str(ROOT).encode() not in content, path
