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
    What only repeats itself (folds, trees, refits, sheets and curves of trials) is repeated less,
    and the plan is frozen anew.
    """
    config = folder / "config"
    shutil.copytree(
        ROOT / "config", config, ignore=shutil.ignore_patterns("environment", "profiles")
    )
    _replace(config / "simulate.yaml", r"^athletes: \d+", f"athletes: {athletes}")
    _replace(config / "study.yaml", r"^shards: \d+", f"shards: {shards}")
    fewer = {"  flagged_most": 6, "  recordings_per_device_and_task": 3}
    for name, number in fewer.items():
        _replace(config / "processing.yaml", rf"^{name}: \d+", f"{name}: {number}")
    fewer = {"folds": 4, "  trees": 20, "reliability_refits": 10, "check_refits": 10}
    fewer |= {"  refits": 20, "data_sets": 5, "permutations": 100}
    for name, number in fewer.items():
        _replace(config / "plan.yaml", rf"^  {name}: \d+", f"  {name}: {number}")
    (config / FROZEN).unlink()
    freeze(config, "2026-04-01", reason="")
    return config


if __name__ == "__main__":
    print(write_settings(Path(sys.argv[1])))
