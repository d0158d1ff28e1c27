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

from pipeline.readers.read import read_recording
from shared.settings.device import DeviceProfile
from tests.tiny_study.real_study import (
    CONTROL,
    COURSE,
    landing,
    needs_open_recordings,
    profile,
    value,
)

pytestmark = needs_open_recordings


def test_every_recording_is_read_at_its_rate(real):
    table = real[1]["recordings"]
    assert table["usable"].all()
    assert sorted(table["rate_hz"].round(1).unique()) == [450.0, 600.0, 1000.0]
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
