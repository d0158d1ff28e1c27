"""Open recordings with published numbers, through the very steps of a study.

The test builds a study folder from the recordings, values untouched, and runs intake, extraction
and collecting on it. Events are found by our rule; beside each stands what the source printed by
its own rule, and why the two differ. (`tests/known_answers/test_open_recordings.py` checks the
sources' own rules.)

Sources: `course_jumps_MIT`: J. L. Lopez Elvira, BiomecanicaPython (MIT), notebook
Analisis_salto_vertical_Fuerzas. `bmc_jumps_CCBY4`: M. Duarte and R. Watanabe, Biomechanics and
Motor Control (CC BY 4.0), notebook VerticalJump.
"""

import numpy as np
import pandas as pd
import pytest
import yaml

from pipeline.readers.read import read_recording
from shared.settings.device import DeviceProfile
from shared.settings.load import load_settings
from shared.sources import ROOT
from tests.tiny_study.extracted import extract

DATA = ROOT / ".." / "shared" / "data"
COURSE = DATA / "course_jumps_MIT"
CONTROL = DATA / "bmc_jumps_CCBY4"

pytestmark = pytest.mark.skipif(
    not (COURSE.is_dir() and CONTROL.is_dir()),
    reason="the open recordings are not in the folder `shared` next to the project",
)

# People behind the course's recordings, by the weight typed in at the acquisition (trials.csv);
# who they are is not known, and nothing below depends on it. The 600 Hz jumper weighs about 635 N.
PEOPLE = {"C1": 703.9, "C2": 831.6, "C3": 599.9, "B1": 635.0}
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
]


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
    """Write settings of two sites, one per plate; processing as in the demo."""
    folder.mkdir(parents=True)
    for name in ("processing.yaml", "plan.yaml"):
        (folder / name).write_text((ROOT / "config" / name).read_text(encoding="utf-8"))
    study = yaml.safe_load((ROOT / "config" / "study.yaml").read_text(encoding="utf-8"))
    study |= {"study_folder": "../study", "results_folder": "../results", "shards": 1}
    study["sites"] = {
        "course": {"label": "Course", "devices": ["plate_1000"]},
        "control": {"label": "Control", "devices": ["plate_600"]},
    }
    study.pop("demo")
    (folder / "study.yaml").write_text(yaml.safe_dump(study))
    (folder / "devices").mkdir()
    for name, rate in (("plate_1000", 1000), ("plate_600", 600)):
        text = yaml.safe_dump(profile(name, rate))
        (folder / "devices" / f"{name}.yaml").write_text(text)


def write_study(folder):
    """Write raw files and study tables; return recording ids by the source's name of a trial."""
    folder.mkdir(parents=True)
    course = pd.read_parquet(COURSE / "jumps_raw.parquet")
    signals = {
        str(name): part[["time_s", "fz_N"]] for name, part in course.groupby("trial", observed=True)
    }
    signals["GRFZjump"] = pd.read_csv(CONTROL / "GRFZjump.csv")[["time_s", "fz_N"]]
    rows, ids = [], {}
    for number, (person, task, trial) in enumerate(TRIALS, start=1):
        device = "plate_600" if person == "B1" else "plate_1000"
        signals[trial].to_csv(folder / f"{trial}.csv", index=False)
        box = "0.3" if task == "drop_vertical_jump" else ""  # not stated by the source, not used
        rows.append((person, "clearance", task, "both", number, device, f"{trial}.csv", box))
        ids[trial] = f"{person}.clearance.{task}.both.{number}"
    # Quiet standing: the first 1.5 s of a jump (the 600 Hz jump begins after 0.2 s of standing).
    standing = []
    for person, trial in (("C1", "CMJ1"), ("C2", "CMJ2"), ("C3", "CMJ5")):
        signals[trial].iloc[:1500].to_csv(folder / f"standing_{person}.csv", index=False)
        standing.append((person, "clearance", "plate_1000", "plate-1", f"standing_{person}.csv"))
    people = [
        (name, "control" if name == "B1" else "course", "male", 25.0, "left", "right", "hamstring",
         round(weight / 9.80665, 1), 1.75, 1, "no")
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


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    root = tmp_path_factory.mktemp("real")
    write_settings(root / "config")
    ids = write_study(root / "study")
    settings = load_settings(root / "config")
    return ids, extract(settings, settings.results_folder)


def landing(real, trial, number=1):
    ids, tables = real
    table = tables["landings"].set_index("landing_id")
    return table.loc[f"{ids[trial]}.both.{number}"]


def value(real, trial, metric, number=1):
    ids, tables = real
    table = tables["metrics"].set_index(["landing_id", "metric", "sensor"])
    return table.loc[(f"{ids[trial]}.both.{number}", metric, "plate")]


def test_every_recording_is_read_at_its_rate(real):
    table = real[1]["recordings"]
    assert table["usable"].all()
    assert sorted(table["rate_hz"].round(1).unique()) == [600.0, 1000.0]
    assert table["sha256"].str.fullmatch("[0-9a-f]{64}").all()


def test_cmj5(real):
    found = landing(real, "CMJ5")
    assert found["event_source"] == "plate"
    assert found["flags"] == ""
    # Published: take-off 2400, the first sample at or below 10 N. Ours is the crossing of 20 N
    # above the offset of the empty plate (0.95 N): 2.4 samples earlier, the force still falls.
    assert found["takeoff_s"] * 1000 - 2400 == pytest.approx(-2.4, abs=0.1)
    # Published: landing 2847, the last sample at or below 10 N. Ours lies before the next one.
    assert found["initial_contact_s"] * 1000 - 2847 == pytest.approx(0.64, abs=0.02)
    assert found["initial_contact_sample"] == 2848
    # Published: 0.2448 m with 9.8 m/s2. 3.0 ms more of flight at g t / 4 = 1.1 m/s are 3.4 mm.
    height = value(real, "CMJ5", "jump_height_from_flight_time")
    assert height["value"] - 0.2448 == pytest.approx(0.0035, abs=3e-4)
    assert height["valid"]
    # Movement onset, published: 1737 by 5 SD, 1709 walked back to body weight. Ours is 30 ms before
    # the 5 SD (Owen et al. 2014) and bounds the height by impulse, which has no published value;
    # by flight time 0.248 m, and the two methods agree within 1 cm here.
    by_impulse = value(real, "CMJ5", "jump_height_from_impulse")
    assert by_impulse["value"] == pytest.approx(height["value"], abs=0.01)


def test_jump_at_600_hz(real):
    found = landing(real, "GRFZjump")
    # Published: take-off 0.907 s and landing 1.323 s, 10 N above the smallest value of the force
    # (2.9 N raw: below the mean of the empty plate, 5.9 N). Ours: 5 SD of its noise above that
    # mean, 35.7 N raw.
    assert found["takeoff_s"] - 0.907 == pytest.approx(-0.0025, abs=5e-4)
    assert found["initial_contact_s"] - 1.323 == pytest.approx(0.0055, abs=5e-4)
    # Published: 0.213 m. 7.7 ms more of flight at 1.02 m/s (g t / 4) are 8 mm.
    height = value(real, "GRFZjump", "jump_height_from_flight_time")
    assert height["value"] - 0.213 == pytest.approx(0.0079, abs=1e-3)
    # The file holds 0.2 s of standing before the jump: too little to weigh or to find the onset.
    by_impulse = value(real, "GRFZjump", "jump_height_from_impulse")
    assert "no_quiet_stance" in by_impulse["flags"]
    assert not by_impulse["valid"]
    assert found["body_weight_source"] == "scale"


def test_dj1(real):
    first, second = landing(real, "DJ1", 1), landing(real, "DJ1", 2)
    # Published: contact at sample 2982, the acquisition software's own rule. The same here.
    assert first["initial_contact_sample"] == 2982
    # own_events_10N.csv (a plain rule at 10 N, computed, not published): flight 3544 to 4041.
    assert first["takeoff_s"] * 1000 - 3544 == pytest.approx(-3.0, abs=0.2)
    assert second["initial_contact_s"] * 1000 - 4041 == pytest.approx(0.2, abs=0.1)
    contact = value(real, "DJ1", "contact_time", 1)
    assert contact["value"] == pytest.approx(0.559, abs=1e-3)
    assert contact["valid"]
    assert value(real, "DJ1", "flight_time", 2)["value"] == pytest.approx(0.500, abs=1e-3)


def test_a_recording_that_starts_in_the_movement_keeps_what_it_can(real):
    """The same jump as CMJ6, exported 2.380 s too late: no stance, but the same events."""
    whole, cut = landing(real, "CMJ6"), landing(real, "CMJ6_faulty_export")
    # The export's clock still counts from the trigger, so the instants agree.
    for event in ("takeoff_s", "initial_contact_s"):
        assert cut[event] == pytest.approx(whole[event], abs=1e-9)
    assert whole["initial_contact_sample"] - cut["initial_contact_sample"] == 2380
    by_impulse = value(real, "CMJ6_faulty_export", "jump_height_from_impulse")
    assert "no_quiet_stance" in by_impulse["flags"]
    peak = [value(real, trial, "peak_vgrf")["value"] for trial in ("CMJ6", "CMJ6_faulty_export")]
    assert peak[0] == pytest.approx(peak[1], rel=1e-9)


def test_raw_samples_of_a_row_lead_to_its_value(real):
    """Read the named samples of the raw file again: with plain numpy they give the value."""
    row = value(real, "CMJ5", "impulse_first_100_ms")
    raw = pd.read_parquet(COURSE / "jumps_raw.parquet", filters=[("trial", "==", "CMJ5")])
    force = raw["fz_N"].to_numpy()
    samples = force[int(row["first_sample"]) : int(row["last_sample"]) + 1]
    found = landing(real, "CMJ5")
    start = found["initial_contact_s"] * 1000 - row["first_sample"]
    empty = force[2520:2730].mean()  # the plate in mid-flight
    places = np.concatenate([[start], np.arange(1, len(samples) - 1), [start + 100.0]])
    loads = np.interp(places, np.arange(len(samples)), samples - empty)
    impulse = np.trapezoid(loads, places / 1000) / found["body_weight_n"]
    assert impulse == pytest.approx(row["value"], rel=1e-3)


def test_gait_c3d_is_read(tmp_path):
    """A C3D file of a gait analysis: two plates in its analog channels, 1000 Hz, 4.87 s.

    Nothing is published about its events. Its vertical forces, at most 74 N, are hardly a person's
    weight whatever the file says, so it goes through the reader only.
    """
    content = profile("gait", 1000) | {
        "format": "c3d",
        "csv": None,
        "time": None,
        "channels": [
            {"channel": f"vertical_force.{side}", "column": f"F{n}Z", "unit": "N", "sign": -1,
             "range": 10000}
            for n, side in ((1, "left"), (2, "right"))
        ],
    }  # fmt: skip
    recording = read_recording(CONTROL / "Gait.c3d", DeviceProfile.model_validate(content))
    assert recording.samples == 4870
    assert recording.rate_hz == pytest.approx(1000.0)
    assert recording.problems == ()
    import ezc3d

    analogs = ezc3d.c3d(str(CONTROL / "Gait.c3d"))["data"]["analogs"][0]
    np.testing.assert_allclose(recording.channels["vertical_force.left"], -analogs[2])
    np.testing.assert_allclose(recording.channels["vertical_force.right"], -analogs[8])
