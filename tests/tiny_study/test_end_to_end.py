"""A small study from raw files to its report: same bytes whatever happens on the way."""

import hashlib
import os
import random
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

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
    steps = started_steps(run(folder, cores=2))
    shards = [step.rpartition(" ")[2] for step in steps if step.startswith("Reading recordings")]
    assert shards == [shard_name(shard_of(row["athlete_id"], SHARDS))]
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
