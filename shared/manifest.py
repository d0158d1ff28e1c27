"""The manifest of a finished study: the hash of every file that the run wrote, and of its settings.

It makes a file that nothing else hashes (a page, a figure, a table that no later step read)
impossible to change unnoticed, unless the manifest is changed too. It holds no clock and no path
outside the results.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from shared.blinding import mark_of
from shared.freeze import FILE as FROZEN
from shared.provenance import hash_of_settings, sha256_of_file
from shared.settings.load import Settings
from shared.tables import write_text

FILE = "manifest.json"

_NOT_RESULTS = ("logs", "benchmarks")
"""Folders with clock times and the load of the machine, which differ from run to run."""


def files_of(results: Path) -> Iterator[Path]:
    """Yield the files that a manifest covers, sorted: all results but itself, logs and timings."""
    for path in sorted(results.rglob("*")):
        name = path.relative_to(results)
        if name.parts[0] in _NOT_RESULTS or path.name.startswith("."):
            continue
        if path.is_file() and name.as_posix() != FILE:
            yield path


def hashes_of_settings(settings: Settings) -> dict[str, str]:
    """Return the hash of each part of the settings, independent of layout and comments."""
    devices = {name: device.model_dump(mode="json") for name, device in settings.devices.items()}
    frozen = settings.folder / FROZEN
    return {
        "study": hash_of_settings(settings.study.model_dump(mode="json")),
        "processing": hash_of_settings(settings.processing.model_dump(mode="json")),
        "plan": hash_of_settings(settings.plan.model_dump(mode="json")),
        "devices": hash_of_settings(devices),
        "frozen_plan": sha256_of_file(frozen) if frozen.is_file() else "",
    }


def write_manifest(results: Path, settings: Settings) -> None:
    """Write the manifest of a study whose steps have all ended."""
    files = {
        path.relative_to(results).as_posix(): sha256_of_file(path) for path in files_of(results)
    }
    content: dict[str, Any] = {"settings": hashes_of_settings(settings), "files": files}
    if words := mark_of(settings.study.model_dump(mode="json")):
        content["outcomes"] = words
    write_text(json.dumps(content, indent=1, sort_keys=True) + "\n", results / FILE)


def read_manifest(results: Path) -> dict[str, Any] | None:
    """Return the manifest of a study; None where there is none, or none that can be read."""
    try:
        content = json.loads((results / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) and {"settings", "files"} <= set(content) else None
