"""A small study, run once from raw files to its pages for all test files that look at it."""

import fcntl
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from shared.sources import ROOT
from tests.tiny_study.settings import write_settings

SHARDS = 2
ATHLETES = 24


def command(folder: Path, cores: int) -> list[str]:
    return [
        sys.executable, "-m", "pipeline.run_study",
        "--settings", str(folder / "config"), "--cores", str(cores),
    ]  # fmt: skip


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def run(folder: Path, cores: int) -> str:
    """Run the study in its own folder; return what it printed."""
    done = subprocess.run(
        command(folder, cores), cwd=folder, env=environment(), capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-4000:]
    return done.stdout


def finished_study(factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the folder of the study, which one test file may change, and an untouched copy.

    Test processes side by side share both: the first to ask runs the study, the others wait.
    """
    base = factory.getbasetemp()
    common = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    folder, copy, partial = (common / name for name in ("study", "untouched", "untouched.part"))
    with (common / "study.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not copy.exists():
            write_settings(folder, athletes=ATHLETES, shards=SHARDS)
            assert "Where to look" in run(folder, cores=2)
            for part in ("config", "demo"):
                shutil.copytree(folder / part, partial / part)
            partial.rename(copy)
    return folder, copy
