"""Run intake, extraction and collecting in this process, as the workflow does in many."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from pipeline.extraction.bench import calibrate_units
from pipeline.extraction.collect import collect
from pipeline.extraction.shard import extract_shard
from pipeline.intake.check import check_study
from shared.layout import SHARD_TABLES, find_table, shard_name
from shared.settings.load import Settings

STUDY_TABLES = (
    *("athletes", "recordings", "calibrations", "unit_calibrations"),
    *("visits", "outcomes", "exposure", "withdrawals"),
)
SETTLED_WHEN_COLLECTED = ("rejections", "withdrawals")
INTAKE = (
    *("recordings_index", "calibration_index", "unit_calibration_index"),
    *("athletes", "visits", "outcomes", "exposure"),
)
CHECKED = (*INTAKE, "exclusions", "withdrawals")


def check(settings: Settings, results: Path) -> dict[str, Path]:
    """Run the intake step; return its tables by name."""
    folder = settings.study_folder
    outputs = {name: results / "intake" / f"{name}.parquet" for name in CHECKED}
    check_study(
        tables=[path for name in STUDY_TABLES if (path := find_table(folder, name))],
        study=settings.study.model_dump(mode="json"),
        devices=_devices(settings),
        study_folder=str(folder),
        report=results / "intake" / "problems.txt",
        **outputs,
    )
    return outputs


def _devices(settings: Settings) -> dict[str, dict]:
    return {name: profile.model_dump(mode="json") for name, profile in settings.devices.items()}


def extract(settings: Settings, results: Path) -> dict[str, pd.DataFrame]:
    """Run all steps from the raw files to the tables; return the tables by name."""
    intake, shards = check(settings, results), settings.study.shards
    parts = {
        name: [
            results / "extraction" / shard_name(shard) / f"{name}.parquet"
            for shard in range(shards)
        ]
        for name in SHARD_TABLES
    }
    processing = settings.processing.model_dump(mode="json")
    units = results / "tables" / "unit_calibrations.parquet"
    calibrate_units(
        unit_calibration_index=intake["unit_calibration_index"],
        unit_calibrations=units,
        processing=processing,
        devices=_devices(settings),
        study_folder=str(settings.study_folder),
    )
    for shard in range(shards):
        extract_shard(
            unit_calibrations=units,
            **{name: intake[name] for name in ("recordings_index", "calibration_index")},
            athletes=intake["athletes"],
            **{name: paths[shard] for name, paths in parts.items()},
            shard=shard,
            shards=shards,
            study=settings.study.model_dump(mode="json"),
            processing=processing,
            devices=_devices(settings),
            study_folder=str(settings.study_folder),
        )
    tables = {name: results / "tables" / f"{name}.parquet" for name in (*SHARD_TABLES, "summaries")}
    everything = tables | {"unit_calibrations": units}
    found = {name: find_table(settings.study_folder, name) for name in SETTLED_WHEN_COLLECTED}
    collect(
        **parts,
        **{f"{name}_table": path for name, path in tables.items()},
        **{name: [path] if path else [] for name, path in found.items()},
        quality=processing["quality"],
        waveforms_kept=processing["waveforms"],
    )
    return {name: pd.read_parquet(path) for name, path in everything.items()}
