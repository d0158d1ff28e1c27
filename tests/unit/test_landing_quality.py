"""Identities, saturation and valid trials of the quality page, counted by hand."""

import math

import numpy as np
import pandas as pd
import pytest

from analysis.estimates import Estimates, estimates_table
from analysis.models.landing_quality import identity_quality, saturation_quality, valid_trials
from analysis.models.sensor_quality import calibration_quality
from analysis.report.context import Context
from analysis.report.ledger import Ledger
from analysis.tables import calibrations, data_quality, landing_quality
from analysis.tables.journal import JournalTable
from shared.tables import empty_table
from tests.unit import report_study

STUDY, PLAN = report_study.STUDY, report_study.PLAN
SITE = next(iter(STUDY["sites"]))
DEVICE = STUDY["sites"][SITE]["devices"][0]


def numbers(*collections):
    return estimates_table(*collections)


def shown(build, *collections) -> JournalTable:
    estimates = numbers(*collections)
    context = Context(estimates, STUDY, report_study.PROCESSING, PLAN)
    return build(context, Ledger(estimates, "table.x"))


def cells(table: JournalTable) -> list[list[str]]:
    def text(cell):
        parts = cell if isinstance(cell, (tuple, list)) else (cell,)
        return "".join(str(part) for part in parts).replace("\u00a0", " ")

    return [[text(cell) for cell in row.cells] for row in table.rows]


def identities():
    """20 landings whose speeds differ by 0.011 to 0.201 m/s, and one that is not valid."""
    values = np.append(np.arange(1, 21) / 100.0 + 0.001, 9.0)
    return pd.DataFrame(
        {
            "metric": "impact_speed_mismatch",
            "sensor": "plate",
            "site": SITE,
            "task": "drop_vertical_jump",
            "landing": 2,
            "value": values,
            "flags": ["impulse_mismatch" if value > 0.185 else "" for value in values],
            "valid": values < 1.0,
        }
    )


def test_what_is_left_of_an_identity_is_summarised_over_valid_landings():
    found = numbers(identity_quality(identities())).set_index("number_id")["estimate"]
    start = f"quality_identities.impact_speed_mismatch.{SITE}.drop_vertical_jump.landing_2"
    assert found[f"{start}.landings.count"] == 20
    assert found[f"{start}.all.median"] == pytest.approx(0.106)
    # quantiles by linear interpolation: position 0.05 * 19 = 0.95 between the first two
    assert found[f"{start}.all.low"] == pytest.approx(0.0205)
    assert found[f"{start}.all.high"] == pytest.approx(0.1915)
    assert found[f"{start}.beyond.share"] == pytest.approx(0.1)  # 0.191 and 0.201


def test_the_table_of_identities_names_place_task_and_landing():
    table = shown(landing_quality.build_identities, identity_quality(identities()))
    heading, row = cells(table)
    assert heading == ["Mismatch of two impact speeds, m/s"]
    assert row[0].endswith("drop vertical jump, second landing")
    assert row[1:] == ["20", "0.11", "0.02", "0.19", "10.0 %"]


def test_saturation_is_counted_per_recording_of_the_sensor():
    used = [f"A{n:03d}.clearance.cut.left.1.{DEVICE}" for n in range(4)]
    values = pd.DataFrame(
        {"site": SITE, "sensor": "waist", "task": "cut", "recording_id": [*used, used[0]]}
    )
    other = values.assign(sensor="gyro")
    axes = ["waist_acceleration.x", "waist_acceleration.y"]
    recordings = pd.DataFrame(
        {
            "recording_id": used[:3],
            "clipped_samples": [5, 9, 0],
            "clipped_s": [0.005, 0.009, 0.0],
            "clipped_channels": [";".join(axes), axes[1], ""],
        }
    )
    collection = saturation_quality(recordings, pd.concat([values, other], ignore_index=True))
    found = numbers(collection).set_index("number_id")["estimate"]
    start = f"quality_saturation.{SITE}.{DEVICE}.waist.cut"
    assert found[f"{start}.recordings.count"] == 4
    assert found[f"{start}.saturated.share"] == pytest.approx(0.5)
    assert found[f"{start}.time.median"] == pytest.approx(7.0)  # of 5 and 9 ms
    assert not found.index.str.contains("gyro").any(), "a sensor that never saturates"


def test_no_saturation_gives_no_number():
    values = pd.DataFrame(
        {"site": [SITE], "sensor": ["waist"], "task": ["cut"], "recording_id": [f"A.1.{DEVICE}"]}
    )
    found = numbers(saturation_quality(empty_table("recordings"), values))
    assert len(found) == 0


def summaries(counts):
    predictor = PLAN["primary"][0]
    keys = {key: predictor[key] for key in ("metric", "sensor", "task", "limb")}
    return pd.DataFrame(
        [
            {**keys, "landing": 1, "visit": "clearance", "athlete_id": name, "n_valid": valid}
            for name, valid in counts
        ]
    )


def test_valid_trials_are_counted_per_athlete_and_knees_of_one_person_once():
    counts = [("A1", 3), ("A2", 2), ("A3", 0), ("A4", 1), ("A4", 3)]  # A4: both knees
    collection = valid_trials(summaries(counts), PLAN, "clearance", 2)
    found = numbers(collection).set_index("number_id")
    name = PLAN["primary"][0]["name"]
    shares = [found.loc[f"quality_valid_trials.{name}.trials_{k}.share"] for k in (1, 2, 3)]
    assert [row["estimate"] for row in shares] == [0.75, 0.75, 0.5]
    assert {row["n_athletes"] for row in shares} == {4}
    (row,) = cells(shown(landing_quality.build_valid_trials, collection))
    assert row[1:] == ["4", "75.0 %", "75.0 %", "50.0 %"]


def test_a_weighed_athlete_is_not_the_noise_of_a_plate():
    """Sway of a person, 9 N, beside 1.5 N of an empty plate: a common median would be neither."""
    table = pd.DataFrame(
        {
            "site": SITE,
            "device": DEVICE,
            "location": ["plate", "plate.left", "plate.right"],
            "kind": "standing",
            "spread": [9.0, 1.5, 1.5],
            "change": np.nan,
            "explained_share": np.nan,
            "bench": ["none", "checked", "checked"],
            "accepted": True,
        }
    )
    collection = calibration_quality(table)
    found = numbers(collection).set_index("number_id")["estimate"]
    start = f"quality_calibrations.{SITE}.{DEVICE}"
    assert found[f"{start}.plate.standing.noise.median"] == pytest.approx(1.5)
    assert found[f"{start}.plate.standing.bench.share"] == 1.0
    assert found[f"{start}.weighing.standing.noise.median"] == pytest.approx(9.0)
    _, plate, weighing = cells(shown(calibrations.build_sessions, collection))
    assert (plate[1], plate[4], plate[6]) == ("2", "100.0 %", "1.50 (1.50)")
    assert (weighing[1], weighing[4], weighing[6]) == ("1", "", "9.00 (9.00)")


def test_usable_shares_stand_with_their_number_in_a_column_per_task():
    task = next(iter(STUDY["tasks"]))
    counted = Estimates("quality_recordings")
    counted.add((SITE, DEVICE, task), "recordings", "count", 40)
    counted.add((SITE, DEVICE, task), "usable", "share", 0.975)
    table = shown(data_quality.build, counted)
    assert len(table.columns) == 2
    assert cells(table)[1][1] == "97.5 % of 40"


def test_what_flat_samples_hide_is_that_of_a_half_sine():
    """A half-sine of length T that is flat for t lacks 1 - cos(pi t / 2T) of its height."""
    found = saturation_quality(empty_table("recordings"), empty_table("metrics"))
    note = str(shown(landing_quality.build_saturation, found).notes[0])
    for said, flat_ms, hidden in (
        ("seven flat ones hide seven hundredths of the height", 7, 7 / 100),
        ("twelve a fifth", 12, 1 / 5),
        ("sixteen a third", 16, 1 / 3),
    ):
        assert said in note
        assert 1.0 - math.cos(math.pi * flat_ms / 60) == pytest.approx(hidden, abs=0.01)
