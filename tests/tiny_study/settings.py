"""Settings of a small study, made from the demo's: `python -m tests.tiny_study.settings FOLDER`."""

import re
import shutil
import sys
from pathlib import Path

from analysis.freeze import freeze
from shared.freeze import FILE as FROZEN
from shared.sources import ROOT


def _replace(file: Path, pattern: str, replacement: str) -> None:
    text, count = re.subn(pattern, replacement, file.read_text(encoding="utf-8"), flags=re.M)
    if count != 1:
        raise ValueError(f"{file.name}: {pattern!r} found {count} times, expected once")
    file.write_text(text, encoding="utf-8")


def write_settings(folder: Path, athletes: int = 24, shards: int = 2) -> Path:
    """Copy the demo's settings to `folder`/config with fewer athletes; return that folder.

    Study, truth and results lie beside it, because the settings name them relative to themselves.
    The steps that only repeat themselves (folds, bootstrap refits) repeat less, and the plan is
    frozen anew.
    """
    config = folder / "config"
    shutil.copytree(
        ROOT / "config", config, ignore=shutil.ignore_patterns("environment", "profiles")
    )
    _replace(config / "simulate.yaml", r"^athletes: \d+", f"athletes: {athletes}")
    _replace(config / "study.yaml", r"^shards: \d+", f"shards: {shards}")
    _replace(config / "plan.yaml", r"^  folds: \d+", "  folds: 4")
    _replace(config / "plan.yaml", r"^  reliability_refits: \d+", "  reliability_refits: 20")
    _replace(config / "plan.yaml", r"^  check_refits: \d+", "  check_refits: 20")
    (config / FROZEN).unlink()
    freeze(config, "2026-04-01", reason="")
    return config


if __name__ == "__main__":
    print(write_settings(Path(sys.argv[1])))
