"""Step: from the bench recordings of device units to their calibrations."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.extraction.bench_accelerometers import six_orientations, static_poses
from pipeline.extraction.bench_gyroscopes import known_rotation
from pipeline.extraction.bench_plates import plate_load
from pipeline.extraction.bench_recording import Bench, Result
from pipeline.extraction.reading import profiles_of, read_bench_file
from shared.provenance import code_version, hash_of_settings, sha256_of_bytes
from shared.schemas import schema_of
from shared.settings.device import DeviceProfile
from shared.settings.processing import ProcessingSettings
from shared.settings.strict import validate
from shared.sources import ROOT, sources_of
from shared.tables import read_table, write_table

STEP = "pipeline.extraction.bench:calibrate_units"

KINDS: dict[str, Callable[[Sequence[Bench], ProcessingSettings], list[Result]]] = {
    "six_orientations": six_orientations,
    "static_poses": static_poses,
    "known_rotation": known_rotation,
    "plate_load": plate_load,
}
"""Kind of bench calibration -> what it makes of its recordings."""


def bench_id(unit_code: str, device: str, kind: str) -> str:
    """Return the readable name of a bench calibration."""
    return f"{unit_code}.{device}.{kind}"


def _read(
    rows: pd.DataFrame, profile: DeviceProfile, folder: Path, shortest_s: float
) -> tuple[list[Bench], list[str]]:
    """Return the recordings of one calibration and the hashes of their files."""
    recordings, hashes = [], []
    for row in rows.to_dict("records"):
        position, value = str(row["position"]), float(row["known_value"])
        if not row["usable"]:
            recordings.append(Bench(position, value, None, str(row["detail"])))
            continue
        name = bench_id(row["unit_code"], row["device"], row["kind"])
        reading = read_bench_file(folder / row["path"], profile, row["path"], name, shortest_s)
        hashes.append(reading.sha256)
        recordings.append(Bench(position, value, reading.signals, reading.reason))
    return recordings, hashes


def _rows(key: dict[str, Any], result: Result) -> list[dict[str, Any]]:
    common = key | {
        "location": result.location,
        "accepted": not result.reason,
        "reason": result.reason,
    }
    values = result.values or {"": (None, "")}
    return [
        common | {"quantity": quantity, "value": value, "unit": unit}
        for quantity, (value, unit) in values.items()
    ]


def calibrate_units(
    *,
    unit_calibration_index: Path,
    unit_calibrations: Path,
    processing: dict[str, Any],
    devices: dict[str, Any],
    study_folder: str,
    raw: list[Path] | None = None,  # noqa: ARG001 -- declared for the workflow: what is read
) -> None:
    """Calibrate every unit from its bench recordings; a study without any gets an empty table.

    Raises
    ------
    StudyError
        A setting is wrong.
    """
    settings = validate(ProcessingSettings, processing, "processing.yaml")
    profiles = profiles_of(devices)
    index = read_table(unit_calibration_index)
    schema = schema_of("unit_calibrations")
    rows: list[dict[str, Any]] = []
    for (unit, device, kind), group in index.groupby(["unit_code", "device", "kind"], sort=True):
        recordings, hashes = _read(
            group.sort_values(["position", "path"]),
            profiles[device],
            Path(study_folder),
            settings.calibration.unit_pose_window_s,
        )
        key = {
            "unit_code": unit,
            "device": device,
            "kind": kind,
            "recording_id": bench_id(unit, device, kind),
            "files": len(recordings),
            "sha256": sha256_of_bytes("\n".join(sorted(hashes)).encode()),
        }
        for result in KINDS[kind](recordings, settings):
            rows += _rows(key, result)
    table = pd.DataFrame(rows, columns=schema.names).astype({"files": "int64", "value": "float64"})
    table["accepted"] = table["accepted"].astype("bool")
    write_table(
        table.sort_values(list(schema.key), ignore_index=True),
        unit_calibrations,
        "unit_calibrations",
        inputs={
            "raw_recordings": sha256_of_bytes("\n".join(table["sha256"].unique()).encode()),
            "processing": hash_of_settings(processing),
            "devices": hash_of_settings(devices),
        },
        code_version=code_version(sources_of(STEP), ROOT),
    )
