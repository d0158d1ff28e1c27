"""Do files still have the hashes that the manifest and later steps noted of them?"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from analysis.audit.check.finding import Files, Finding
from shared.layout import find_table
from shared.manifest import FILE, hashes_of_settings, read_manifest
from shared.provenance import hash_of_settings, sha256_of_bytes

_FOLDERS = ("tables", "intake", "models")
_RENAMED = {"filled": "tables/filled_values", "imputation": "models/impute_cohort"}
"""Inputs that a step calls by another name than their file's."""

_UNIT = ["unit_code", "device", "kind"]


def manifest(files: Files) -> Iterator[Finding]:
    """Files and settings against the manifest that the run wrote at its end."""
    content = read_manifest(files.results)
    if content is None:
        yield Finding(
            FILE, "no manifest that can be read", "one, written when the study ran to its end"
        )
        return
    noted: dict[str, str] = content["files"]
    present = {files.name(path): path for path in files.all}
    for name in sorted(noted.keys() | present.keys()):
        if name not in present:
            yield Finding(name, "the file is missing", "the file, as the manifest lists it")
        elif name not in noted:
            yield Finding(name, "a file that the manifest does not list", "no such file")
        elif files.digest(present[name]) != noted[name]:
            yield Finding(name, f"SHA-256 {files.digest(present[name])}", f"{noted[name]} ({FILE})")
    now = hashes_of_settings(files.study.settings)
    for name, digest in sorted(content["settings"].items()):
        if now.get(name) != digest:
            yield Finding(
                f"settings: {name}", "other settings than those of the run", "the same settings"
            )


def datapackage(files: Files) -> Iterator[Finding]:
    """Tables against the hashes in their published description."""
    path = files.results / "tables" / "datapackage.json"
    try:
        resources = json.loads(path.read_text(encoding="utf-8"))["resources"]
    except (OSError, ValueError, KeyError):
        yield Finding("tables/datapackage.json", "cannot be read", "the description of the tables")
        return
    for resource in resources:
        file = path.parent / resource["path"]
        digest = f"sha256:{files.digest(file)}"
        if digest != resource["hash"]:
            yield Finding(f"tables/{resource['path']}", digest, f"{resource['hash']} (description)")


def _of_raw_files(files: Files, path: Path, table: str) -> str | None:
    """Return the hash over the raw files that a table was made from; None if it names none."""
    folder = path.parent.relative_to(files.results).as_posix()
    source = "unit_calibrations" if table == "unit_calibrations" else "recordings"
    rows = files.table(f"{folder}/{source}")
    if rows is None:
        return None
    if source == "unit_calibrations":
        units = rows.drop_duplicates(_UNIT).sort_values(_UNIT)
        lines = list(dict.fromkeys(units["sha256"]))
    else:
        lines = (rows["recording_id"] + " " + rows["sha256"]).tolist()
    return sha256_of_bytes("\n".join(lines).encode())


def _of_settings(files: Files) -> dict[str, str]:
    settings = files.study.settings
    processing = settings.processing.model_dump(mode="json")
    now = hashes_of_settings(settings)
    return {
        "study.yaml": now["study"],
        "devices": now["devices"],
        "processing": now["processing"],
        "processing.quality": hash_of_settings(processing["quality"]),
    }


def _input_files(files: Files, name: str) -> list[Path]:
    """Return the file that a step calls by this name; none where the name says too little."""
    if "." in name:  # a study table, by its file's name
        stem = name.rpartition(".")[0]
        found = find_table(files.study.raw, stem)
        return [found or files.study.raw / name]
    known = _RENAMED.get(name)
    places = [known] if known else [f"{folder}/{name}" for folder in _FOLDERS]
    paths = [files.results / f"{place}.parquet" for place in places]
    return [path for path in paths if path.is_file()][:1]


def _everything(files: Files) -> set[str]:
    truth = []
    if (demo := files.study.settings.study.demo) is not None:
        truth = sorted(files.study.settings.resolve(demo.truth_folder).glob("*.parquet"))
    return {files.digest(path) for path in (*files.all, *truth)}


def recorded_inputs(files: Files) -> Iterator[Finding]:
    """The hash of each input that a table's metadata hold, against the file as it is now."""
    settings, known = _of_settings(files), _everything(files)
    for path in files.parquet:
        metadata = files.metadata(path)
        for name, digest in json.loads(metadata.get("inputs", "{}")).items():
            if name == "raw_recordings":
                now = _of_raw_files(files, path, metadata["table"])
            elif name in settings:
                now = settings[name]
            else:
                inputs = _input_files(files, name)
                now = files.digest(inputs[0]) if inputs else digest if digest in known else ""
            if now is not None and now != digest:
                yield Finding(
                    f"{files.name(path)}, made from {name}",
                    f"{name} is now {now or 'in no file of the study'}",
                    f"{digest}, as the step that wrote the table read it",
                )
