"""Which file lies behind the name that a step gives to one of its inputs."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

from analysis.audit.study_folder import StudyFolder, TraceError
from shared.layout import find_table
from shared.provenance import hash_of_settings, sha256_of_file
from shared.tables import read_metadata

_ELSEWHERE = {
    "filled": "tables/filled_values",
    "imputation": "models/impute_cohort",
    "hazard_ratios": "models/cox_models",
    "limb_differences": "models/limb_differences",
    "native_summaries": "native_rate/tables/summaries",
}
"""Inputs that lie elsewhere, or under another name, than the tables of the same name."""

_LISTS = {
    "exclusions": ("intake/exclusions", "tables/exclusions", "cohort/exclusions"),
    "found": ("models/cox_models", "models/calibrated_cox"),
}
"""Inputs of several files, in the order of the rules; metadata number them from 0."""

_TRUTH = {
    "effects": "effects",
    "truth_athletes": "athletes",
    "truth_landings": "landings",
    "truth_nuisances": "nuisances",
}


def input_of_step(study: StudyFolder, name: str) -> Path | list[Path]:
    """Return the file, or files, that a step reads under a name; they need not exist.

    Raises
    ------
    TraceError
        The study has no such input.
    """
    if name in _LISTS:
        return [study.results / f"{place}.parquet" for place in _LISTS[name]]
    if name in _TRUTH:
        if (demo := study.settings.study.demo) is None:
            raise TraceError("the truth of a demo is in no other study")
        return study.settings.resolve(demo.truth_folder) / f"{_TRUTH[name]}.parquet"
    if name in _ELSEWHERE:
        return study.results / f"{_ELSEWHERE[name]}.parquet"
    return study.path(name)


def noted_file(study: StudyFolder, name: str) -> Path:
    """Return the file of an input as metadata note it: study tables by the name of their file.

    Raises
    ------
    TraceError
        The study has no such input.
    """
    if "." in name:
        return find_table(study.raw, name.rpartition(".")[0]) or study.raw / name
    one_of = re.fullmatch(r"(\w+)_(\d+)", name)
    if one_of and one_of[1] in _LISTS:
        return study.results / f"{_LISTS[one_of[1]][int(one_of[2])]}.parquet"
    found = input_of_step(study, name)
    if isinstance(found, list):
        raise TraceError(f"{name} names several files")
    return found


def _settings_now(study: StudyFolder, name: str) -> str | None:
    """Return the hash that settings noted under a name have now; None if the name is of a file."""
    if name not in {"study.yaml", "devices", "processing", "processing.quality"}:
        return None
    from shared.manifest import hashes_of_settings

    if name == "processing.quality":
        return hash_of_settings(study.settings.processing.model_dump(mode="json")["quality"])
    return hashes_of_settings(study.settings)[name.removesuffix(".yaml")]


def noted_inputs(study: StudyFolder, table: Path) -> Iterator[tuple[str, str, str]]:
    """Yield the name, the noted hash and the present state of each input of a table."""
    for name, digest in json.loads(read_metadata(table).get("inputs", "{}")).items():
        if name == "raw_recordings":
            yield name, digest, "the hash of all their hashes"
            continue
        try:
            now = _settings_now(study, name) or sha256_of_file(noted_file(study, name))
        except (TraceError, OSError):
            yield name, digest, "NOT FOUND: compare the hash by hand"
            continue
        yield name, digest, "unchanged since" if now == digest else "CHANGED since the step ran"
