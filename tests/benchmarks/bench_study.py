"""The study of the benchmark: landings with closed forms, written as CSV at 1 kHz."""

from __future__ import annotations

import multiprocessing
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shared.layout import recording_id
from shared.settings.load import load_settings
from shared.sources import ROOT
from shared.tables import write_table

Signal = NDArray[np.float64]

RATE_HZ, DURATION_S, MASS_KG, G = 1000.0, 10.0, 70.0, 9.80665
TRIALS = [
    *(
        ("single_leg_drop_landing", side, trial)
        for side in ("left", "right")
        for trial in (1, 2, 3)
    ),
    *(("drop_vertical_jump", "both", trial) for trial in (1, 2, 3)),
    *(("countermovement_jump", "both", trial) for trial in (1, 2)),
]
PER_ATHLETE = len(TRIALS) + 1  # and one recording of standing

_CHANNELS = {
    "force_left_N": ("vertical_force.left", "N", 10000.0, False),
    "force_right_N": ("vertical_force.right", "N", 10000.0, False),
    "waist_x_g": ("waist_acceleration.x", "g", 16.0, True),
    "waist_y_g": ("waist_acceleration.y", "g", 16.0, True),
    "waist_z_g": ("waist_acceleration.z", "g", 16.0, True),
    "thigh_left_z_deg_s": ("thigh_rate.left.z", "deg/s", 2000.0, False),
    "shank_left_z_deg_s": ("shank_rate.left.z", "deg/s", 2000.0, False),
    "thigh_right_z_deg_s": ("thigh_rate.right.z", "deg/s", 2000.0, False),
    "shank_right_z_deg_s": ("shank_rate.right.z", "deg/s", 2000.0, False),
    "thigh_left_x_deg_s": ("thigh_rate.left.x", "deg/s", 2000.0, False),
    "shank_left_x_deg_s": ("shank_rate.left.x", "deg/s", 2000.0, False),
    "thigh_right_x_deg_s": ("thigh_rate.right.x", "deg/s", 2000.0, False),
}
DEVICE: dict[str, Any] = {
    "device": "bench",
    "kind": "mixed",
    "description": "two plates and wearables, 12 channels",
    "format": "csv",
    "csv": {"delimiter": ","},
    "rate_hz": RATE_HZ,
    "time": {"column": "time_s", "unit": "s"},
    "channels": [
        {"channel": channel, "column": column, "unit": unit, "range": full, "clip": clip}
        for column, (channel, unit, full, clip) in _CHANNELS.items()
    ],
}


def settings() -> dict[str, Any]:
    """Return the settings of the extraction step: those of the demo, the benchmark's device."""
    processing = load_settings(ROOT / "config").processing.model_dump(mode="json")
    return {"processing": processing, "devices": {"bench": DEVICE}}


def _half_sine(t: Signal, start: float, length: float) -> Signal:
    inside = (t >= start) & (t < start + length)
    return np.where(inside, np.sin(np.pi * (t - start) / length), 0.0)


def _body_force(t: Signal, task: str, peak: float) -> Signal:
    """Return the vertical force in body weights: 0 in flight, half-sines at contact."""
    force = np.ones_like(t)
    if task == "standing":
        return force
    if task == "countermovement_jump":
        force = np.where((t > 3.0) & (t < 3.3), 0.5, force)
        force = np.where((t >= 3.3) & (t < 3.7), 1.0 + 1.3 * np.sin(np.pi * (t - 3.3) / 0.4), force)
        contacts = [(3.7, 4.2)]
    else:
        contacts = [(3.35, 3.6)]
        if task == "drop_vertical_jump":
            force = np.where((t >= 3.7) & (t < 4.1), 1.0 + np.sin(np.pi * (t - 3.7) / 0.4), force)
            contacts.append((4.1, 4.55))
    for takeoff, contact in contacts:
        force = np.where((t >= takeoff) & (t < contact), 0.0, force)
        force = force + (peak - 1.0) * _half_sine(t, contact, 0.1)
    return force


def columns_of(task: str, side: str, rng: np.random.Generator) -> dict[str, Signal]:
    """Return the columns of one recording, in the units of the instrument, rounded as by it."""
    t = np.arange(round(RATE_HZ * DURATION_S)) / RATE_HZ
    body = _body_force(t, task, rng.uniform(3.0, 4.5))
    on_plate = (
        body if task in ("countermovement_jump", "standing") else np.where(t < 3.6, 0.0, body)
    )
    contact = {"countermovement_jump": 4.2, "standing": 20.0}.get(task, 3.6)
    flexion = rng.uniform(40.0, 60.0) * np.pi / 0.25 * 0.5 * _half_sine(t, contact, 0.25)
    extension = flexion.sum() / 800 * ((t > contact + 1.0) & (t < contact + 1.8))
    share = {"both": (0.5, 0.5), "left": (1.0, 0.0), "right": (0.0, 1.0)}[side]
    table = {"time_s": t}
    for name, part in zip(("left", "right"), share, strict=True):
        noise = rng.normal(0.0, 1.5, t.size)
        table[f"force_{name}_N"] = np.round(part * on_plate * MASS_KG * G + noise, 3)
    waist = np.stack([0.1 * body, body, 0.1 * body]) + rng.normal(0.0, 0.01, (3, t.size))
    table |= {f"waist_{axis}_g": np.round(waist[row], 5) for row, axis in enumerate("xyz")}
    for column in list(_CHANNELS)[5:]:
        part = 0.0 if column.endswith("x_deg_s") else 0.6 if column.startswith("thigh") else -0.4
        rate = part * (flexion - extension) + 0.5 + rng.normal(0.0, 0.1, t.size)
        table[column] = np.round(rate, 5)
    return table


def _write_athlete(folder: Path, athlete: int) -> list[str]:
    import pyarrow as pa
    from pyarrow import csv

    paths = []
    for number, (task, side, trial) in enumerate([*TRIALS, ("standing", "both", 1)]):
        path = folder / _path(athlete, task, side, trial)
        path.parent.mkdir(exist_ok=True, parents=True)
        table = pa.table(columns_of(task, side, np.random.default_rng([athlete, number])))
        csv.write_csv(table, path, csv.WriteOptions(quoting_style="none"))
        paths.append(str(path))
    return paths


def _path(athlete: int, task: str, side: str, trial: int) -> str:
    return f"raw/A{athlete:04d}/{task}.{side}.{trial}.csv"


def _indexes(count: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    ids = [f"A{number:04d}" for number in range(count)]
    checked = {"usable": True, "reason": "", "detail": ""}
    place = {"site": "bench", "visit": "clearance", "device": "bench"}
    people = pd.DataFrame(
        [
            {
                "athlete_id": name,
                "site": "bench",
                "sex": "female",
                "age_at_surgery_years": 20.0,
                "injured_side": "left",
                "dominant_side": "right",
                "graft": "hamstring",
                "mass_kg": MASS_KG,
                "height_m": 1.7,
                "sport_level": "1",
                "prior_acl_injury": "no",
            }
            for name in ids
        ]
    )
    recordings = pd.DataFrame(
        [
            place
            | checked
            | {
                "recording_id": recording_id(name, "clearance", task, side, trial, "bench"),
                "athlete_id": name,
                "task": task,
                "side": side,
                "limb": {"left": "involved", "right": "uninvolved"}.get(side, "both"),
                "trial": trial,
                "path": _path(number, task, side, trial),
                "box_height_m": 0.3,
                "order_in_session": None,
            }
            for number, name in enumerate(ids)
            for task, side, trial in TRIALS
        ]
    )
    calibrations = pd.DataFrame(
        [
            place
            | checked
            | {
                "athlete_id": name,
                "kind": "standing",
                "unit_code": "bench-1",
                "unit_calibration_age_days": None,
                "path": _path(number, "standing", "both", 1),
            }
            for number, name in enumerate(ids)
        ]
    )
    return people, recordings, calibrations


def write_study(folder: Path, recordings: int, processes: int) -> list[str]:
    """Write raw files and the tables of intake; return the paths of the raw files."""
    count = max(recordings // PER_ATHLETE, 1)
    tables = _indexes(count)
    names = ("athletes", "recordings_index", "calibration_index")
    for name, table in zip(names, tables, strict=True):
        write_table(table, folder / f"{name}.parquet", name)
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        parts = pool.map(partial(_write_athlete, folder), range(count), chunksize=1)
    return [path for part in parts for path in part]
