"""A device without the trial's clock gives what it would give alone, and nothing across clocks."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.extraction.clocks import clock_of, on_own_clock
from pipeline.extraction.flagged import Flagged
from pipeline.extraction.waveforms import Examples
from pipeline.metrics.outcome import Measured, Refused
from tests.unit.extraction_signals import (
    PROCESSING,
    drop_force,
    drop_jump_force,
    measure,
    plates,
    rows_of,
    standing,
    times,
    trial,
    wearables,
)
from tests.unit.test_knee_sensors import camera, only_gyroscopes

SINGLE, DROP_JUMP = "single_leg_drop_landing", "drop_vertical_jump"
ACROSS = {"knee_flexion_at_peak_vgrf", "contact_lag_of_waist"}
FORCE = drop_force(times())
PLATES = plates({"left": 1.0, "right": 0.0}, FORCE)
LATE = replace(wearables(FORCE), start_s=0.3)
"""Beside the plates, its contact comes 300 ms too late: by a trigger that did not reach it."""


def outcomes(measurement, recording_id):
    """Return what the values of a recording are, and their flags but for the clock's."""
    return {
        (value.number, value.side, value.metric, value.sensor): (
            value.outcome,
            (value.flags | value.events.flags) - {"own_clock"},
        )
        for part in measurement.by_clock
        for value in part.values
        if value.signals.recording_id == recording_id
    }


@pytest.mark.parametrize(
    ("worn", "sensors"),
    [
        (LATE, {"waist", "gyro"}),
        (on_own_clock(LATE, ()), {"waist", "gyro"}),
        (on_own_clock(only_gyroscopes(), ()), {"gyro"}),
    ],
    ids=["contacts disagree", "no lag found", "gyroscopes only"],
)
def test_a_device_gives_what_it_gives_alone(worn, sensors):
    """The reference is the same device without a plate beside it: values, samples and flags."""
    (both,) = measure(trial(SINGLE, "left", PLATES, worn))
    (alone,) = measure(trial(SINGLE, "left", replace(worn, clock="", flags=())))
    found, expected = outcomes(both, worn.recording_id), outcomes(alone, worn.recording_id)
    assert {sensor for *_, sensor in found} == sensors
    across = {key for key in found if key[2] in ACROSS}
    assert {key: value for key, value in found.items() if key not in across} == expected
    assert any(isinstance(outcome, Measured) for outcome, _ in expected.values())
    for key in across:
        outcome, flags = found[key]
        assert isinstance(outcome, Refused)
        assert outcome.reason == "sync_fail"
        assert "no_landing" not in flags
    on_plates = measure(trial(SINGLE, "left", PLATES))[0]
    assert outcomes(both, PLATES.recording_id) == outcomes(on_plates, PLATES.recording_id)


def test_the_values_stay_valid_and_say_on_which_clock_they_are():
    rows = rows_of(measure(trial(SINGLE, "left", PLATES, LATE)))
    metrics = rows["metrics"].set_index(["sensor", "metric"])
    for place in (("waist", "peak_waist_acceleration"), ("gyro", "knee_flexion_excursion")):
        assert metrics.loc[place, "valid"]
        assert metrics.loc[place, "flags"] == "own_clock"
    assert metrics.loc[("plate", "peak_vgrf"), "flags"] == ""
    across = metrics[metrics.index.get_level_values("metric").isin(ACROSS)]
    assert len(across) == 2
    assert across["flags"].str.contains("sync_fail").all()
    assert not across["valid"].any()
    (landing,) = rows["landings"].to_dict("records")
    assert (landing["event_source"], landing["valid"]) == ("plate", True)
    events = rows["metric_sources"].query("role == 'events' and sensor == 'gyro'")
    assert set(events["recording_id"]) == {LATE.recording_id}


def test_a_camera_on_its_own_clock_has_no_contact():
    """It sees no contact of its own; that of the plate is none of its clock."""
    (measured,) = measure(trial(SINGLE, "left", PLATES, on_own_clock(camera(100.0), ())))
    found = outcomes(measured, camera(100.0).recording_id)
    assert len(found) == 3
    for outcome, flags in found.values():
        assert isinstance(outcome, Refused)
        assert flags == {"sync_fail"}


def test_devices_that_share_a_clock_stay_together():
    """The camera counts from the same instant as the units: their contact bounds its angle."""
    shared = (("camera", "wearables"),)
    film = replace(camera(100.0), device="camera", recording_id="trial.film")
    recordings = (on_own_clock(LATE, shared), replace(on_own_clock(film, shared), start_s=0.3))
    assert {signals.clock for signals in recordings} == {"camera+wearables"}
    (measured,) = measure(trial(SINGLE, "left", PLATES, *recordings))
    (alone,) = measure(trial(SINGLE, "left", *(replace(x, clock="", flags=()) for x in recordings)))
    found, expected = (outcomes(x, film.recording_id) for x in (measured, alone))
    assert found == expected
    assert all(isinstance(outcome, Measured) for outcome, _ in found.values())
    assert clock_of("camera", shared) == shared[0]
    assert clock_of("plates", shared) == ("plates",)


def test_declared_devices_are_not_torn_apart_by_a_contact():
    """They cannot be on two clocks: then one of the contacts is wrong, and the value is flagged."""
    one = replace(trial(SINGLE, "left", PLATES, LATE), shared_clocks=(("plates", "wearables"),))
    (measured,) = measure(one)
    assert measured.others == ()
    knees = [value for value in measured.values if value.sensor == "gyro"]
    assert all("sync_fail" in value.flags for value in knees)


def test_one_wrong_contact_of_two_does_not_move_the_clock():
    """Landing 2 by the waist unit comes 300 ms late, landing 1 in time: the clocks agree."""
    time, force = times(8.0), drop_jump_force(times(8.0))
    later = np.where(time > 3.6, np.interp(time - 0.3, time, force), force)
    later[(time > 3.5) & (time < 4.25)] = 0.0
    on_plates = plates({"left": 0.5, "right": 0.5}, force)
    (measured,) = measure(trial(DROP_JUMP, "both", on_plates, wearables(later, ("left", "right"))))
    assert measured.others == ()
    knees = [value for value in measured.values if value.sensor == "gyro" and value.number == 1]
    assert knees
    assert not any("sync_fail" in value.flags for value in knees)


def test_a_landing_that_only_another_clock_has_seen_is_shown_by_it():
    missed = plates({"left": 0.0, "right": 0.0}, FORCE)
    (measured,) = measure(trial(SINGLE, "left", missed, on_own_clock(LATE, ())))
    rows = rows_of([measured])
    (landing,) = rows["landings"].to_dict("records")
    assert (landing["event_source"], landing["flags"]) == ("waist", "own_clock")
    metrics = rows["metrics"].set_index("sensor")
    assert not metrics.loc["plate", "valid"].any()
    assert metrics.loc["waist", "valid"].any()


def test_figures_keep_to_the_clock_of_the_trial_and_sheets_name_the_other():
    (measured,) = measure(trial(SINGLE, "left", PLATES, LATE))
    examples, flagged = Examples(PROCESSING), Flagged(PROCESSING)
    examples.offer(measured, standing())
    flagged.offer(measured, standing())
    shown = set(examples.table().column("channel").to_pylist())
    assert shown == {"vertical_force"}
    sheet = flagged.table().to_pandas().groupby("channel")["not_synchronous"].agg(["min", "max"])
    assert not sheet.loc["vertical_force"].any()
    assert sheet.loc[["waist_acceleration", "knee_flexion.left"]].to_numpy().all()
