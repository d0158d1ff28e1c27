"""A study folder of closed-form trials, written as an instrument would write them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import yaml
from numpy.typing import NDArray
from scipy.io import savemat

from shared.settings.load import Settings, load_settings
from shared.sources import ROOT
from tests.known_answers.closed_movement import TOE_AND_HEEL_TASK, Movement
from tests.known_answers.signals import MASS, WEIGHT

Array = NDArray[np.float64]

TASKS = ("single_leg_drop_landing", "drop_vertical_jump", "countermovement_jump")
TASKS_OF_ALL_METRICS = (*TASKS, TOE_AND_HEEL_TASK)
"""With a landing that has two force peaks."""
SEGMENTS = {"thigh": 0.6, "shank": -0.4}
SUFFIXES = {"csv": "csv", "tsv": "tsv", "parquet": "parquet", "matlab": "mat", "c3d": "c3d"}
SUFFIXES |= {"bids_motion": "_motion.tsv"}  # the standard asks for this ending
STANDING_EMPTY_S, STANDING_S = 1.0, 6.0


@dataclass(frozen=True)
class Condition:
    """What the instrument adds to the true signals.

    Parameters
    ----------
    plate_noise_n, waist_noise_g, rate_noise_deg_s, camera_noise_deg : standard deviations
    plate_offset_n, plate_drift_n_s : added to every plate, and how it grows
    rate_bias_deg_s, rate_drift_deg_s2 : bias of every gyroscope, and its growth
    tilt_deg : pitch of the waist unit
    waist_range_g : full scale of the waist unit
    """

    plate_noise_n: float = 0.0
    waist_noise_g: float = 0.0
    rate_noise_deg_s: float = 0.0
    camera_noise_deg: float = 0.0
    plate_offset_n: float = 0.0
    plate_drift_n_s: float = 0.0
    rate_bias_deg_s: float = 0.0
    rate_drift_deg_s2: float = 0.0
    tilt_deg: float = 0.0
    waist_range_g: float = 16.0


CONDITIONS = {
    "clean": Condition(),
    "noise": Condition(
        plate_noise_n=1.5, waist_noise_g=0.010, rate_noise_deg_s=0.1, camera_noise_deg=0.3
    ),
    "offset": Condition(plate_offset_n=15.0, rate_bias_deg_s=0.5),
    "tilt": Condition(tilt_deg=10.0),
    "drift": Condition(plate_drift_n_s=0.05, rate_bias_deg_s=0.5, rate_drift_deg_s2=0.05),
    "clipping": Condition(waist_range_g=3.0),
}
"""Noise and bias as in the demo's instruments (config/simulate.yaml).

Drift of a plate: that of a piezoelectric one with its charge amplifiers at worst, from memory.
"""


def columns_of(
    movement: Movement | None, rate_hz: float, condition: Condition, rng: np.random.Generator
) -> dict[str, Array]:
    """Return the columns of a recording; without a movement, of quiet standing."""
    duration = STANDING_S if movement is None else movement.duration_s
    time = np.arange(round(duration * rate_hz) + 1) / rate_hz
    size = time.size
    still = movement is None

    def noise(deviation: float) -> Array:
        return rng.normal(0.0, deviation, size) if deviation else np.zeros(size)

    columns = {"time_s": time}
    for side in ("left", "right"):
        if still:
            load = np.where(time < STANDING_EMPTY_S, 0.0, 0.5)
        else:
            load = movement.share(side) * movement.force(time)
        columns[f"force_{side}_N"] = (
            load * WEIGHT
            + condition.plate_offset_n
            + condition.plate_drift_n_s * time
            + noise(condition.plate_noise_n)
        )
    vertical = np.ones(size) if still else movement.specific_force(time)
    pitch = np.radians(condition.tilt_deg)
    axes = {"x": np.sin(pitch) * vertical, "y": np.cos(pitch) * vertical, "z": np.zeros(size)}
    for axis, values in axes.items():
        limit = condition.waist_range_g
        columns[f"waist_{axis}_g"] = np.clip(values + noise(condition.waist_noise_g), -limit, limit)
        columns[f"reference_{axis}_g"] = values
    bias = condition.rate_bias_deg_s + condition.rate_drift_deg_s2 * time
    for side in ("left", "right"):
        rate = np.zeros(size) if still else movement.knee_rate(side, time)
        for segment, part in SEGMENTS.items():
            sign = 1.0 if segment == "thigh" else -1.0  # the two biases add up in the knee
            columns[f"{segment}_{side}_deg_s"] = (
                part * rate + sign * bias + noise(condition.rate_noise_deg_s)
            )
        angle = np.zeros(size) if still else movement.knee(side, time)
        columns[f"knee_{side}_deg"] = angle + noise(condition.camera_noise_deg)
    return columns


def profile(name: str, rate_hz: float, file_format: str, waist_range_g: float) -> dict:
    """Return the device profile of the instrument."""
    sides = ("left", "right")
    places = [
        *((f"vertical_force.{side}", f"force_{side}_N", "N", 10000.0) for side in sides),
        *((f"waist_acceleration.{a}", f"waist_{a}_g", "g", waist_range_g) for a in "xyz"),
        *((f"reference_acceleration.{a}", f"reference_{a}_g", "g", 200.0) for a in "xyz"),
        *(
            (f"{segment}_rate.{side}.z", f"{segment}_{side}_deg_s", "deg/s", 2000.0)
            for segment in SEGMENTS
            for side in sides
        ),
        *((f"knee_flexion.{side}", f"knee_{side}_deg", "deg", 180.0) for side in sides),
    ]
    content = {
        "device": name,
        "kind": "mixed",
        "description": "every sensor in one file",
        "format": "csv" if file_format == "tsv" else file_format,
        "rate_hz": rate_hz,
        "time": None if file_format == "c3d" else {"column": "time_s"},
        "channels": [
            {"channel": channel, "column": column, "unit": unit, "range": full}
            | ({"clip": True} if channel.startswith("waist") else {})
            for channel, column, unit, full in places
        ],
    }
    delimiter = {"csv": ",", "tsv": "\t"}.get(file_format)
    return content | ({"csv": {"delimiter": delimiter}} if delimiter else {})


def write_file(columns: dict[str, Array], path: Path) -> None:
    """Write columns in the format of the path's suffix."""
    path.parent.mkdir(parents=True, exist_ok=True)
    table = pa.table(columns)
    if path.suffix == ".parquet":
        pa.parquet.write_table(table, path)
    elif path.suffix == ".mat":
        savemat(path, columns)
    elif path.suffix == ".c3d":
        _write_c3d(columns, path)
    elif path.name.endswith("_motion.tsv"):
        _write_bids_motion(columns, path)
    else:
        delimiter = "\t" if path.suffix == ".tsv" else ","
        options = pa.csv.WriteOptions(quoting_style="none", delimiter=delimiter)
        pa.csv.write_csv(table, path, options)


def _write_bids_motion(columns: dict[str, Array], path: Path) -> None:
    """Write samples without names, and beside them the names of the channels and the rate.

    Type and tracked point do not matter here: the profile says what a channel is.
    """
    options = pa.csv.WriteOptions(include_header=False, quoting_style="none", delimiter="\t")
    pa.csv.write_csv(pa.table(columns), path, options)
    stem = path.name.removesuffix("_motion.tsv")
    rows = [("name", "component", "type", "tracked_point", "units")]
    rows += [
        (name, "n/a", "LATENCY" if name == "time_s" else "MISC", "n/a", "n/a") for name in columns
    ]
    text = "".join("\t".join(row) + "\n" for row in rows)
    path.with_name(f"{stem}_channels.tsv").write_text(text, encoding="utf-8")
    rate_hz = 1.0 / float(np.diff(columns["time_s"]).mean())
    sidecar = json.dumps({"TaskName": "closed form", "SamplingFrequency": rate_hz})
    path.with_name(f"{stem}_motion.json").write_text(sidecar, encoding="utf-8")


def _write_c3d(columns: dict[str, Array], path: Path) -> None:
    """Write all columns but the time as analog channels (single precision), one per frame."""
    import ezc3d

    labels = [name for name in columns if name != "time_s"]
    units = {"N": "N", "g": "g", "s": "deg/s", "deg": "deg"}
    rate_hz = 1.0 / float(np.diff(columns["time_s"]).mean())
    file = ezc3d.c3d()
    for group in ("POINT", "ANALOG"):
        file["parameters"][group]["RATE"]["value"] = [rate_hz]
    file["parameters"]["ANALOG"]["LABELS"]["value"] = labels
    file["parameters"]["ANALOG"]["UNITS"]["value"] = [units[n.rsplit("_", 1)[1]] for n in labels]
    file["data"]["points"] = np.zeros((4, 0, columns["time_s"].size))
    file["data"]["analogs"] = np.stack([columns[name] for name in labels])[None]
    file.write(str(path))
    content = path.read_bytes()
    # The library leaves an address of its own among the parameters; a study may hold none.
    end = (int.from_bytes(content[16:18], "little") - 1) * 512
    blank = re.sub(rb"[\w.]+@[\w.]+", lambda found: b" " * len(found.group()), content[:end])
    path.write_bytes(blank + content[end:])


@dataclass(frozen=True)
class Trial:
    """One written trial and what is true of it."""

    athlete_id: str
    condition: str
    side: str
    number: int
    movement: Movement

    @property
    def name(self) -> str:
        return f"{self.athlete_id}.clearance.{self.movement.task}.{self.side}.{self.number}"


def plan(conditions: dict[str, int], tasks: tuple[str, ...] = TASKS) -> list[Trial]:
    """Return the trials: per condition and task so many, shifted by fractions of a sample."""
    trials = []
    for order, (condition, count) in enumerate(conditions.items(), start=1):
        for task in tasks:
            for number in range(1, count + 1):
                # Irrational steps: the contact falls on every part of a sample, at every rate.
                movement = Movement(task, shift_s=(number * 0.6180339887 % 1.0) * 0.010)
                side = "left" if task.startswith("single_leg") else "both"
                trials.append(Trial(f"E{order:02d}", condition, side, number, movement))
    return trials


def write_closed_study(
    root: Path,
    rate_hz: float,
    trials: list[Trial],
    *,
    file_format: str = "csv",
    processing: dict | None = None,
    change: Callable[[dict[str, Array]], dict[str, Array]] = dict,
    mass_kg: float = MASS,
) -> Settings:
    """Write settings and study folder of the trials; return the settings.

    Parameters
    ----------
    processing
        Changes to processing.yaml, section by section.
    change
        What is done to the columns of every recording before they are written.
    mass_kg
        Mass that the table of athletes states.
    """
    folder, config = root / "study", root / "config"
    (config / "devices").mkdir(parents=True)
    by_condition = {trial.athlete_id: trial.condition for trial in trials}
    devices = {person: f"bench_{condition}" for person, condition in by_condition.items()}
    rows, standing = [], []
    for order, (person, name) in enumerate(by_condition.items()):
        condition = CONDITIONS[name]
        path = f"standing/{person}.{SUFFIXES[file_format]}"
        rng = np.random.default_rng([order, 0])
        write_file(change(columns_of(None, rate_hz, condition, rng)), folder / path)
        standing.append((person, "clearance", devices[person], f"bench-{order + 1}", path))
    for order, trial in enumerate(trials):
        path = f"raw/{trial.name}.{SUFFIXES[file_format]}"
        rng = np.random.default_rng([order, 1])
        columns = columns_of(trial.movement, rate_hz, CONDITIONS[trial.condition], rng)
        write_file(change(columns), folder / path)
        box = trial.movement.box_height_m
        rows.append(
            (trial.athlete_id, "clearance", trial.movement.task, trial.side, trial.number,
             devices[trial.athlete_id], path, "" if box is None else box)
        )  # fmt: skip
    write_tables(folder, list(by_condition), mass_kg, rows, standing)
    _write_settings(config, devices, by_condition, rate_hz, file_format, processing or {})
    return load_settings(config)


def change_profiles(root: Path, change: Callable[[dict], None]) -> Settings:
    """Change every device profile of a written study in place; return the settings, read again."""
    for path in sorted((root / "config" / "devices").glob("*.yaml")):
        content = yaml.safe_load(path.read_text(encoding="utf-8"))
        change(content)
        path.write_text(yaml.safe_dump(content), encoding="utf-8")
    return load_settings(root / "config")


def write_tables(
    folder: Path, people: list[str], mass_kg: float, rows: list, standing: list
) -> None:
    """Write the study tables of people at one site with one visit."""
    tables = {
        "athletes": (
            "athlete_id site sex age_at_surgery_years injured_side dominant_side graft mass_kg "
            "height_m sport_level prior_acl_injury",
            [
                (p, "bench", "female", 20.0, "left", "right", "hamstring", mass_kg, 1.7, 1, "no")
                for p in people
            ],
        ),
        "visits": ("athlete_id visit days_since_surgery", [(p, "clearance", 270) for p in people]),
        "recordings": ("athlete_id visit task limb trial device path box_height_m", rows),
        "calibrations": ("athlete_id visit device unit_code path", standing),
        "outcomes": (
            "athlete_id followup_days event event_days side contact confirmed_by",
            [(p, 730, "end_of_study", 730, "", "", "") for p in people],
        ),
        "exposure": ("athlete_id month athlete_exposures", [(p, 1, 10) for p in people]),
    }
    for name, (columns, content) in tables.items():
        pd.DataFrame(content, columns=columns.split()).to_csv(folder / f"{name}.csv", index=False)


def _write_settings(
    config: Path,
    devices: dict[str, str],
    by_condition: dict[str, str],
    rate_hz: float,
    file_format: str,
    changes: dict,
) -> None:
    processing = yaml.safe_load((ROOT / "config" / "processing.yaml").read_text(encoding="utf-8"))
    for section, values in changes.items():
        processing[section] |= values
    (config / "processing.yaml").write_text(yaml.safe_dump(processing))
    (config / "plan.yaml").write_text((ROOT / "config" / "plan.yaml").read_text(encoding="utf-8"))
    study = yaml.safe_load((ROOT / "config" / "study.yaml").read_text(encoding="utf-8"))
    study |= {"study_folder": "../study", "results_folder": "../results", "shards": 1}
    study["sites"] = {"bench": {"label": "Bench", "devices": sorted(devices.values())}}
    study.pop("demo")
    (config / "study.yaml").write_text(yaml.safe_dump(study))
    for person, name in devices.items():
        limit = CONDITIONS[by_condition[person]].waist_range_g
        text = yaml.safe_dump(profile(name, rate_hz, file_format, limit))
        (config / "devices" / f"{name}.yaml").write_text(text)
