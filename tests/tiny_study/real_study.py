"""A study folder made of open recordings, values untouched.

Sources: `course_jumps_MIT`: J. L. Lopez Elvira, BiomecanicaPython (MIT), notebook
Analisis_salto_vertical_Fuerzas. `bmc_jumps_CCBY4`: M. Duarte and R. Watanabe, Biomechanics and
Motor Control (CC BY 4.0), notebook VerticalJump.
"""

from __future__ import annotations

import pandas as pd
import pytest
import yaml

from shared.sources import ROOT

DATA = ROOT / ".." / "shared" / "data"
COURSE = DATA / "course_jumps_MIT"
CONTROL = DATA / "bmc_jumps_CCBY4"

needs_open_recordings = pytest.mark.skipif(
    not (COURSE.is_dir() and CONTROL.is_dir()),
    reason="the open recordings are not in the folder `shared` next to the project",
)

# People behind the course's recordings, by the weight typed in at the acquisition (trials.csv);
# who they are is not known, and nothing below depends on it. The jumpers at 600 and 450 Hz stand on
# the plate with about 635, 692 and 757 N, the subjects of the second plate with the weights given.
PEOPLE = {
    **{"C1": 703.9, "C2": 831.6, "C3": 599.9, "B1": 635.0, "B2": 692.0, "B3": 757.0},
    **{"S1": 663.3, "S2": 618.4, "S3": 740.8},
}
TRIALS = [
    ("C1", "countermovement_jump", "CMJ1"),
    ("C2", "countermovement_jump", "CMJ2"),
    ("C2", "countermovement_jump", "CMJ3"),
    ("C2", "countermovement_jump", "CMJ4"),
    ("C3", "countermovement_jump", "CMJ5"),
    ("C3", "countermovement_jump", "CMJ6"),
    ("C3", "countermovement_jump", "CMJ7"),
    ("C3", "countermovement_jump", "CMJ6_faulty_export"),
    ("C2", "drop_vertical_jump", "DJ1"),
    ("B1", "countermovement_jump", "GRFZjump"),
    ("B2", "countermovement_jump", "jump1"),
    ("B3", "countermovement_jump", "jump2"),
    *(
        (f"S{subject}", "countermovement_jump", f"S0{subject}_CMJAB{trial}")
        for subject in (1, 2, 3)
        for trial in (1, 2, 3)
    ),
]
CONTROL_DEVICES = {"B1": "plate_600", "B2": "plate_450", "B3": "plate_450"}
RATES = {"plate_1000": 1000, "plate_600": 600, "plate_450": 450}


def profile(name, rate_hz):
    return {
        "device": name,
        "kind": "force_plates",
        "description": "one force plate",
        "format": "csv",
        "csv": {"delimiter": ","},
        "rate_hz": rate_hz,
        "time": {"column": "time_s"},
        "channels": [
            {"channel": "vertical_force.single", "column": "fz_N", "unit": "N", "range": 10000}
        ],
    }


def write_settings(folder):
    """Write settings of two sites, one per plate; processing as in the demo, at native rates."""
    folder.mkdir(parents=True)
    (folder / "plan.yaml").write_text((ROOT / "config/plan.yaml").read_text(encoding="utf-8"))
    processing = yaml.safe_load((ROOT / "config/processing.yaml").read_text(encoding="utf-8"))
    processing["filtering"]["harmonised_rate_hz"] = {}
    (folder / "processing.yaml").write_text(yaml.safe_dump(processing))
    study = yaml.safe_load((ROOT / "config" / "study.yaml").read_text(encoding="utf-8"))
    study |= {"study_folder": "../study", "results_folder": "../results", "shards": 1}
    study["sites"] = {
        "course": {"label": "Course", "devices": ["plate_1000"]},
        "control": {"label": "Control", "devices": ["plate_450", "plate_600"]},
    }
    study.pop("demo")
    (folder / "study.yaml").write_text(yaml.safe_dump(study))
    (folder / "devices").mkdir()
    for name, rate in RATES.items():
        text = yaml.safe_dump(profile(name, rate))
        (folder / "devices" / f"{name}.yaml").write_text(text)


def write_study(folder):
    """Write raw files and study tables; return recording ids by the source's name of a trial."""
    folder.mkdir(parents=True)
    course = pd.read_parquet(COURSE / "jumps_raw.parquet")
    signals = {
        str(name): part[["time_s", "fz_N"]] for name, part in course.groupby("trial", observed=True)
    }
    for name in ("GRFZjump", "jump1", "jump2"):
        signals[name] = pd.read_csv(CONTROL / f"{name}.csv")[["time_s", "fz_N"]]
    rows, ids = [], {}
    for number, (person, task, trial) in enumerate(TRIALS, start=1):
        device = CONTROL_DEVICES.get(person, "plate_1000")
        signals[trial].to_csv(folder / f"{trial}.csv", index=False)
        box = "0.3" if task == "drop_vertical_jump" else ""  # not stated by the source, not used
        rows.append((person, "clearance", task, "both", number, device, f"{trial}.csv", box))
        ids[trial] = f"{person}.clearance.{task}.both.{number}"
    # Quiet standing: the first 1.5 s of a jump (the 600 Hz jump begins after 0.2 s of standing).
    standing = []
    weighed = {"C1": "CMJ1", "C2": "CMJ2", "C3": "CMJ5"}
    weighed |= {f"S{subject}": f"S0{subject}_CMJAB2" for subject in (1, 2, 3)}
    for person, trial in weighed.items():
        signals[trial].iloc[:1500].to_csv(folder / f"standing_{person}.csv", index=False)
        standing.append((person, "clearance", "plate_1000", "plate-1", f"standing_{person}.csv"))
    people = [
        (name, "control" if name in CONTROL_DEVICES else "course", "male", 25.0, "left", "right",
         "hamstring", round(weight / 9.80665, 1), 1.75, 1, "no")
        for name, weight in PEOPLE.items()
    ]  # fmt: skip
    tables = {
        "athletes": (
            "athlete_id site sex age_at_surgery_years injured_side dominant_side graft mass_kg "
            "height_m sport_level prior_acl_injury",
            people,
        ),
        "visits": (
            "athlete_id visit days_since_surgery",
            [(name, "clearance", 270) for name in PEOPLE],
        ),
        "recordings": (
            "athlete_id visit task limb trial device path box_height_m",
            rows,
        ),
        "calibrations": ("athlete_id visit device unit_code path", standing),
        "outcomes": (
            "athlete_id followup_days event event_days side contact confirmed_by",
            [(name, 730, "end_of_study", 730, "", "", "") for name in PEOPLE],
        ),
        "exposure": (
            "athlete_id month athlete_exposures",
            [(name, 1, 10) for name in PEOPLE],
        ),
    }
    for name, (columns, content) in tables.items():
        pd.DataFrame(content, columns=columns.split()).to_csv(folder / f"{name}.csv", index=False)
    return ids


def landing(real, trial, number=1):
    ids, tables = real
    table = tables["landings"].set_index("landing_id")
    return table.loc[f"{ids[trial]}.both.{number}"]


def value(real, trial, metric, number=1):
    ids, tables = real
    table = tables["metrics"].set_index(["landing_id", "metric", "sensor"])
    return table.loc[(f"{ids[trial]}.both.{number}", metric, "plate")]
