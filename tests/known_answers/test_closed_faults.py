"""What a broken sensor costs: its own values with a reason, no other value, and never the study."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.known_answers.closed_study import change_profiles, plan, write_closed_study
from tests.known_answers.error_table import NATIVE
from tests.tiny_study.extracted import extract

KEY = ["landing_id", "metric", "sensor"]
SINGLE = "single_leg_drop_landing"


@pytest.fixture(scope="module")
def measure(tmp_path_factory):
    """Returns a function that writes, reads and measures the study with changed columns."""

    def run(change=dict):
        settings = write_closed_study(
            tmp_path_factory.mktemp("study"),
            500.0,
            plan({"noise": 1}),
            processing=NATIVE,
            change=change,
        )
        return extract(settings, settings.results_folder)

    return run


@pytest.fixture(scope="module")
def sound(measure):
    return measure()["metrics"].set_index(KEY)


@pytest.mark.parametrize(
    ("column", "reading", "sensor"),
    [
        ("shank_left_deg_s", 0.0, "gyro"),
        ("thigh_left_deg_s", 3.0, "gyro"),
        ("knee_left_deg", 30.0, "camera"),
    ],
)
def test_a_sensor_that_reads_one_number_gives_no_value_of_its_leg(
    measure, sound, column, reading, sensor
):
    def dead(columns):
        return columns | {column: np.full_like(columns[column], reading)}

    found = measure(dead)["metrics"].set_index(KEY)
    assert found.index.equals(sound.index)
    # the whole body's landing 1 of a two-leg task has no knee, so the limb's rows are all there are
    lost = found["value"].isna() & sound["value"].notna()
    of_leg = (found.index.get_level_values("sensor") == sensor) & (found["side"] == "left")
    assert lost.sum() == of_leg.sum() > 5
    assert (lost == of_leg).all()
    assert set(found.loc[lost, "flags"]) == {"missing_samples"}
    assert not found.loc[lost, "valid"].any()
    np.testing.assert_array_equal(found.loc[~lost, "value"], sound.loc[~lost, "value"])


def test_a_plate_beyond_its_range_keeps_what_still_bounds_and_excludes_the_rest(
    tmp_path_factory, sound
):
    """A plate of 2000 N under a landing of 3200 N: the peak is at least that, work is anything."""
    limit = 2000.0
    root = tmp_path_factory.mktemp("study")

    def overloaded(columns):
        return columns | {
            n: np.clip(v, -limit, limit) for n, v in columns.items() if n.startswith("force")
        }

    def ranged(profile):
        for channel in profile["channels"]:
            if channel["channel"].startswith("vertical_force"):
                channel |= {"range": limit, "clip": True}

    write_closed_study(root, 500.0, plan({"noise": 1}), processing=NATIVE, change=overloaded)
    settings = change_profiles(root, ranged)
    tables = extract(settings, settings.results_folder)
    found = tables["metrics"].set_index(KEY)
    # how long each file is saturated, and where, counted in the file itself
    for row in tables["recordings"].itertuples():
        forces = pd.read_csv(settings.study_folder / row.path).filter(like="force")
        at_end = forces.abs().to_numpy() >= 0.995 * limit
        assert row.clipped_samples == at_end.any(axis=1).sum()
        assert row.clipped_s == pytest.approx(row.clipped_samples / 500.0)
        sides = forces.columns[at_end.any(axis=0)].str.extract("force_(.*)_N")[0]
        assert row.clipped_channels == ";".join(f"vertical_force.{side}" for side in sides)
    assert (tables["recordings"]["clipped_samples"] > 0).any()
    plate = found[found.index.get_level_values("sensor") == "plate"]
    clipped = plate[plate["flags"].str.contains("clipped") & (plate["task"] == SINGLE)]
    assert len(clipped) > 10
    bounded = clipped["censoring"] == "right"
    larger = sound.loc[clipped.index[bounded], "value"]
    assert (clipped.loc[bounded, "value"] < larger).all()
    assert clipped.loc[bounded, "valid"].all()
    off = clipped[~bounded & clipped["flags"].str.contains("clipped_unbounded")]
    assert {"negative_work", "vertical_stiffness", "time_to_peak_vgrf"} <= set(
        off.index.get_level_values("metric")
    )
    assert not off["valid"].any()
    # Neither bounded nor excluded: what a saturated peak does not move.
    rest = clipped[~bounded].drop(off.index)
    np.testing.assert_allclose(
        rest["value"].astype(float), sound.loc[rest.index, "value"].astype(float), rtol=1e-9
    )
    # The two legs of the other tasks share the load: nothing there has reached the range.
    others = plate[plate["task"] != SINGLE]
    assert not others["flags"].str.contains("clipped").any()


def test_a_study_whose_files_are_all_refused_ends_in_tables_that_say_so(measure):
    def reversed_plates(columns):
        return columns | {n: -v for n, v in columns.items() if n.startswith("force")}

    tables = measure(reversed_plates)
    assert len(tables["metrics"]) == len(tables["landings"]) == len(tables["summaries"]) == 0
    excluded = tables["exclusions"]
    assert set(excluded["level"]) == {"recording", "calibration"}
    assert set(excluded["reason"]) == {"sign_contradicts_signal"}
    assert len(excluded) == 4  # three trials and the standing calibration
