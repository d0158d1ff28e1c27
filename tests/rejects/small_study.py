"""A small valid study, kept in memory so that a test can break one thing before it is written.

Three invented athletes at two sites; tiny recordings that are complete and consistent.
"""

from __future__ import annotations

import copy
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import yaml

from pipeline.intake.check import Examination, check_study, examine
from pipeline.readers.read import read_recording
from shared.errors import Problem, StudyError
from shared.layout import find_table
from shared.settings.load import Settings, load_settings

CONFIG = Path(__file__).parents[2] / "config"
SAMPLES = 60
STUDY_TABLES = ("athletes", "visits", "recordings", "calibrations", "outcomes", "exposure")

STUDY = {
    "title": "Small study, invented",
    "study_folder": "../study",
    "results_folder": "../results",
    "shards": 1,
    "visits": ["clearance", "follow_up"],
    "clearance_visit": "clearance",
    "sites": {
        "harbour": {"label": "Harbour", "devices": ["plates", "wearables"]},
        "ridge": {"label": "Ridge", "devices": ["wearables"]},
    },
    "tasks": {
        "single_leg_drop_landing": {
            "label": "single-leg drop landing",
            "limbs": "single",
            "box": True,
        },
        "drop_vertical_jump": {
            "label": "drop vertical jump",
            "limbs": "both",
            "box": True,
            "landings": 2,
        },
        "countermovement_jump": {"label": "countermovement jump", "limbs": "both"},
    },
}

PLATES = {
    "device": "plates",
    "kind": "force_plates",
    "description": "two plates",
    "format": "csv",
    "csv": {"delimiter": ";", "decimal": ",", "header_lines": 2},
    "rate_hz": 1000,
    "time": {"column": "time [s]"},
    "channels": [
        {
            "channel": f"vertical_force.{side}",
            "column": f"Fz {side} [N]",
            "unit": "N",
            "range": 9000,
        }
        for side in ("left", "right")
    ],
}

WEARABLES = {
    "device": "wearables",
    "kind": "wearables",
    "description": "waist accelerometer and a gyroscope",
    "format": "parquet",
    "rate_hz": 200,
    "time": {"column": "time_s"},
    "channels": [
        *(
            {"channel": f"waist_acceleration.{a}", "column": f"acc_{a}", "unit": "g", "range": 16}
            for a in "xyz"
        ),
        {"channel": "shank_rate.left.z", "column": "shank_left_z", "unit": "deg/s", "range": 2000},
    ],
}  # fmt: skip

ATHLETES = """\
athlete_id,site,sex,age_at_surgery_years,injured_side,dominant_side,graft,mass_kg,height_m,sport_level,prior_acl_injury
A0001,harbour,female,18.4,left,right,hamstring,61.5,1.68,1,no
A0002,harbour,male,21.0,right,right,patellar_tendon,78.2,1.83,1,no
A0003,ridge,female,24.9,both,left,quadriceps,66.0,1.71,2,yes
"""
VISITS = """\
athlete_id,visit,days_since_surgery
A0001,clearance,271
A0001,follow_up,402
A0002,clearance,303
A0003,clearance,288
"""
OUTCOMES = """\
athlete_id,followup_days,event,event_days,side,contact,confirmed_by
A0001,412,graft_rupture,412,left,no,imaging
A0002,730,end_of_study,730,,,
A0003,201,end_of_sport,201,,,
"""
EXPOSURE = """\
athlete_id,month,athlete_exposures
A0001,1,6
A0001,2,14
A0002,1,9
"""


def plates_file() -> bytes:
    """Return a standing recording of the plates as text."""
    time = np.arange(SAMPLES) / 1000
    rows = [f"{t:.3f};{300 + i % 5}.25;{310 - i % 3}.5" for i, t in enumerate(time)]
    lines = ["two force plates", "time from trigger", "time [s];Fz left [N];Fz right [N]"]
    return "\n".join([*lines, *(row.replace(".", ",") for row in rows), ""]).encode()


def wearables_file() -> bytes:
    """Return a standing recording of the wearables as Parquet."""
    time = np.arange(SAMPLES) / 200
    wobble = np.sin(40 * time)
    table = pd.DataFrame(
        {
            "time_s": time,
            "acc_x": 0.02 * wobble,
            "acc_y": 1 + 0.01 * wobble,
            "acc_z": -0.02 * wobble,
            "shank_left_z": 3 * wobble,
        }
    )
    buffer = BytesIO()
    table.to_parquet(buffer, index=False)
    return buffer.getvalue()


FILES: dict[str, Callable[[], bytes]] = {"plates": plates_file, "wearables": wearables_file}
SUFFIX = {"plates": "csv", "wearables": "parquet"}


def _text_table(text: str) -> pd.DataFrame:
    return pd.read_csv(StringIO(text), dtype=str, keep_default_na=False)


def _recordings() -> pd.DataFrame:
    trials = [
        ("A0001", "clearance", "single_leg_drop_landing", "left", "plates", "0.30"),
        ("A0001", "clearance", "single_leg_drop_landing", "right", "wearables", "0.30"),
        ("A0001", "follow_up", "countermovement_jump", "both", "plates", ""),
        ("A0002", "clearance", "drop_vertical_jump", "both", "plates", "0.31"),
        ("A0002", "clearance", "drop_vertical_jump", "both", "wearables", "0.31"),
        ("A0003", "clearance", "countermovement_jump", "both", "wearables", ""),
        ("A0003", "clearance", "single_leg_drop_landing", "left", "wearables", "0.30"),
    ]
    rows = [
        (a, v, t, limb, "1", d, f"recordings/{a}/{v}/{t}.{limb}.1.{d}.{SUFFIX[d]}", box)
        for a, v, t, limb, d, box in trials
    ]
    names = ["athlete_id", "visit", "task", "limb", "trial", "device", "path", "box_height_m"]
    return pd.DataFrame(rows, columns=names)


def _calibrations(recordings: pd.DataFrame) -> pd.DataFrame:
    units = recordings[["athlete_id", "visit", "device"]].drop_duplicates()
    rows = [
        (a, v, d, f"{d}-1", f"calibrations/{a}/{v}/standing.{d}.{SUFFIX[d]}")
        for a, v, d in units.itertuples(index=False)
    ]
    return pd.DataFrame(rows, columns=["athlete_id", "visit", "device", "unit_code", "path"])


@dataclass
class SmallStudy:
    """Settings, tables and files of the study; change them, then `write` or `problems`."""

    root: Path
    study: dict[str, Any] = field(default_factory=lambda: copy.deepcopy(STUDY))
    devices: dict[str, dict[str, Any]] = field(
        default_factory=lambda: copy.deepcopy({"plates": PLATES, "wearables": WEARABLES})
    )
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)
    settings_text: dict[str, str] = field(default_factory=dict)
    raw_tables: dict[str, bytes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        texts = {"athletes": ATHLETES, "visits": VISITS, "outcomes": OUTCOMES, "exposure": EXPOSURE}
        self.tables = {name: _text_table(text) for name, text in texts.items()}
        self.tables["recordings"] = _recordings()
        self.tables["calibrations"] = _calibrations(self.tables["recordings"])
        for name in ("recordings", "calibrations"):
            for _, row in self.tables[name].iterrows():
                self.files[row["path"]] = FILES[row["device"]]()

    @property
    def folder(self) -> Path:
        """The study folder."""
        return self.root / "study"

    def cell(self, table: str, row: int, column: str, value: str) -> None:
        """Change a cell; rows count as a spreadsheet does."""
        self.tables[table].loc[row - 2, column] = value

    def append(self, table: str, *values: str) -> None:
        """Add a row at the end of a table."""
        self.tables[table].loc[len(self.tables[table])] = list(values)

    def path(self, row: int, table: str = "recordings") -> str:
        """Return the path in a row."""
        return str(self.tables[table].loc[row - 2, "path"])

    def write(self) -> None:
        """Write settings, tables and files."""
        config = self.root / "config"
        (config / "devices").mkdir(parents=True, exist_ok=True)
        for name in ("processing.yaml", "plan.yaml"):
            shutil.copy(CONFIG / name, config / name)
        (config / "study.yaml").write_text(yaml.safe_dump(self.study, sort_keys=False))
        for name, profile in self.devices.items():
            (config / "devices" / f"{name}.yaml").write_text(yaml.safe_dump(profile))
        for name, text in self.settings_text.items():
            (config / name).write_text(text, encoding="utf-8")
        self.folder.mkdir(exist_ok=True)
        for name, table in self.tables.items():
            table.to_csv(self.folder / f"{name}.csv", index=False)
        for name, content in self.raw_tables.items():
            (self.folder / name).write_bytes(content)
        for name, content in self.files.items():
            path = self.folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)

    def settings(self) -> Settings:
        """Write everything and load the settings."""
        self.write()
        return load_settings(self.root / "config")

    def examination(self) -> Examination:
        """Write everything and examine the study folder."""
        settings = self.settings()
        return examine(self.folder, settings.study, settings.devices)

    def check(self) -> Path:
        """Write everything, run the step, return the folder of its outputs."""
        settings = self.settings()
        out = self.root / "results" / "intake"
        found = [find_table(self.folder, name) for name in STUDY_TABLES]
        check_study(
            tables=[path for path in found if path],
            study=settings.study.model_dump(mode="json"),
            devices={n: d.model_dump(mode="json") for n, d in settings.devices.items()},
            study_folder=str(self.folder),
            report=out / "problems.txt",
            **{
                name: out / f"{name}.parquet"
                for name in (
                    *("recordings_index", "calibration_index", "unit_calibration_index"),
                    *("exclusions", "withdrawals"),
                    *("athletes", "visits", "outcomes", "exposure"),
                )
            },
        )
        return out

    def problems(self) -> list[Problem]:
        """Return everything that loading the settings, the check and the readers find."""
        try:
            examination = self.examination()
        except StudyError as error:
            return list(error.problems)
        found = list(examination.problems)
        if any(problem.severity == "stops_study" for problem in found):
            return found
        refused = {problem.file for problem in found}
        settings = load_settings(self.root / "config")
        for table in ("recordings", "calibrations"):
            for _, row in self.tables[table].iterrows():
                if row["path"] in refused:
                    continue
                path, profile = self.folder / row["path"], settings.devices[row["device"]]
                try:
                    found += read_recording(path, profile, row["path"]).problems
                except StudyError as error:
                    found += error.problems
        return found
