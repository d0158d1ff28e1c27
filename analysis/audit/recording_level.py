"""The level of the recording: its file, the window used, and what measured it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analysis.audit.level import Level, number_text
from analysis.audit.step_inputs import noted_inputs
from analysis.audit.study_folder import StudyFolder
from shared.layout import shard_name
from shared.provenance import sha256_of_raw_file
from shared.tables import read_metadata


def raw_state(study: StudyFolder, recording: pd.Series) -> str:
    """Tell whether the raw file of a row of `recordings` is there and unchanged."""
    file = study.raw / recording["path"]
    if not file.is_file():
        return "the raw file is not in the study folder"
    same = sha256_of_raw_file(file) == recording["sha256"]
    return "the raw file still has this hash" if same else "THE RAW FILE HAS CHANGED since"


def file_lines(study: StudyFolder, recording: pd.Series) -> list[str]:
    """Return the lines that name a raw file, its hash, and its state."""
    return [
        f"recording      {recording['path']}",
        f"SHA-256        {recording['sha256']}",
        f"               {raw_state(study, recording)}",
    ]


def _shard(study: StudyFolder, row: pd.Series) -> Path | None:
    """Return the table of the shard that measured a landing, where it was kept."""
    number = 0
    while (folder := study.results / "extraction" / shard_name(number)).is_dir():
        path = folder / "metrics.parquet"
        if path.is_file() and len(
            pd.read_parquet(
                path, columns=["landing_id"], filters=[("landing_id", "==", row["landing_id"])]
            )
        ):
            return path
        number += 1
    return None


def _measured_by(study: StudyFolder, row: pd.Series) -> list[str]:
    """Return the settings and the code that gave a value, and whether they are the same now."""
    shard, joined = _shard(study, row), study.path("metrics")
    lines = []
    for path in (joined, *([shard] if shard else [])):
        for name, digest, state in noted_inputs(study, path):
            what = f"{name}{', this shard' if path == shard and name == 'raw_recordings' else ''}"
            lines += [f"hash of        {what}: {digest}", f"               {state}"]
    if shard:
        version = read_metadata(shard).get("code_version", "")
        lines.append(f"code version   {version}, which measured it in {shard.parent.name}")
    version = read_metadata(joined).get("code_version", "")
    return [*lines, f"code version   {version}, which joined the shards and judged the values"]


def _low_pass(cutoff_hz: float) -> str:
    return "unfiltered" if pd.isna(cutoff_hz) else f"low-pass of {cutoff_hz:g} Hz"


def recording_level(study: StudyFolder, row: pd.Series) -> Level:
    """Return the recording of a row of `metrics`: file, window, what else was used, what measured.

    Hashes of settings and the code version are those of the tables as they were written.
    """
    recording = study.table("recordings", [("recording_id", "==", row["recording_id"])]).iloc[0]
    landing = study.table("landings", [("landing_id", "==", row["landing_id"])]).iloc[0]
    lines = [
        f"{row['metric']} by {row['sensor']}, {row['landing_id']}",
        f"value          {number_text(row['value'])} {row['unit']}, censoring {row['censoring']}",
        f"definition     {row['metric']}, version {row['definition_version']}",
        *file_lines(study, recording),
        f"raw samples    {number_text(row['first_sample'])} to {number_text(row['last_sample'])} "
        f"of {number_text(recording['samples'])} at {recording['rate_hz']:g} per second",
        f"evaluated at   {row['rate_hz']:g} per second, {_low_pass(row['cutoff_hz'])}",
        f"contact        {landing['initial_contact_s']:.4f} s by {landing['event_source']}",
    ]
    keys = [(key, "==", row[key]) for key in ("landing_id", "metric", "sensor")]
    for source in study.table("metric_sources", keys).itertuples():
        if source.role != "value":
            samples = (
                ""
                if pd.isna(source.first_sample)
                else (f", samples {source.first_sample:g} to {source.last_sample:g}")
            )
            lines.append(f"also used      {source.recording_id} ({source.role}{samples})")
    return Level("Recording", (*lines, *_measured_by(study, row)))
