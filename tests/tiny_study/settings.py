"""Settings of a small study, made from the demo's: `python -m tests.tiny_study.settings FOLDER`."""

import re
import shutil
import sys
from pathlib import Path

from shared.sources import ROOT


def _replace(file: Path, pattern: str, replacement: str) -> None:
    text, count = re.subn(pattern, replacement, file.read_text(encoding="utf-8"), flags=re.M)
    if count != 1:
        raise ValueError(f"{file.name}: {pattern!r} found {count} times, expected once")
    file.write_text(text, encoding="utf-8")


def write_settings(folder: Path, athletes: int = 24, shards: int = 2) -> Path:
    """Copy the demo's settings to `folder`/config with fewer athletes; return that folder.

    Study, truth and results lie beside it, because the settings name them relative to themselves.
    """
    config = folder / "config"
    shutil.copytree(
        ROOT / "config", config, ignore=shutil.ignore_patterns("environment", "profiles")
    )
    _replace(config / "simulate.yaml", r"^athletes: \d+", f"athletes: {athletes}")
    _replace(config / "study.yaml", r"^shards: \d+", f"shards: {shards}")
    return config


if __name__ == "__main__":
    print(write_settings(Path(sys.argv[1])))
