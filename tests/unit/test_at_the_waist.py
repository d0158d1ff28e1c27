"""Waist unit and reference accelerometer on a pelvis that pitches; which of them needs what."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.extraction.waist_impact import METRICS as IMPACT_AT_THE_WAIST
from pipeline.metrics.outcome import Measured
from tests.unit import extraction_signals as made
from tests.unit.extraction_signals import (
    CONTACT,
    PROCESSING,
    WEIGHT,
    drop_force,
    measure,
    one,
    plates,
    rows_of,
    times,
    trial,
    wearables,
)

SINGLE, DROP_JUMP = "single_leg_drop_landing", "drop_vertical_jump"


PITCH_DEG, FORE_AFT_G = 20.0, -1.0


def pitched(channels, place, device):
    """A unit that sits upright in quiet standing and is pitched from the flight on.

    The impact is 4 g upward (a half-sine of 3 g on 1 g) and 1 g backward at the same time.
    """
    time = times()
    upward = np.where((time < CONTACT - 0.25), 1.0, drop_force(time))
    forward = FORE_AFT_G * made.half_sine(time, CONTACT, 0.1)
    pitch = np.radians(np.where(time < CONTACT - 0.2, 0.0, PITCH_DEG))
    axes = {
        "x": np.cos(pitch) * forward - np.sin(pitch) * upward,
        "y": np.cos(pitch) * upward + np.sin(pitch) * forward,
        "z": np.zeros_like(time),
    }
    made_of = {f"{place}.{axis}": made.G * values for axis, values in axes.items()}
    return replace(
        wearables(drop_force(time)),
        recording_id=f"trial.{device}",
        device=device,
        channels=channels | made_of,
    )


def standing_with_reference():
    still = made.standing()
    place = replace(still.places["wearables", "waist"], location="reference")
    return replace(still, places=still.places | {("wearables", "reference"): place})


@pytest.mark.parametrize("timed_by", ["waist", "plate", "reference_accelerometer"])
def test_a_pelvis_that_pitches_in_the_landing(timed_by):
    """Closed form: the resultant is √(4² + 1²) g, the standing vertical sees 4 cos p - 1 sin p.

    A 60 Hz filter keeps 99.8 % of a half-sine of 100 ms.
    """
    force = drop_force(times())
    worn = pitched({}, "reference_acceleration", "wearables")
    others = {
        "waist": lambda: (pitched(worn.channels, "waist_acceleration", "wearables"),),
        "plate": lambda: (plates({"left": 1.0, "right": 0.0}, force), worn),
        "reference_accelerometer": lambda: (worn,),
    }
    (measured,) = measure(
        trial(SINGLE, "left", *others[timed_by]()), calibration=standing_with_reference()
    )
    chosen = measured.observed.chosen[1, "left"]
    assert chosen.event_source == timed_by
    assert chosen.seconds(chosen.contact) == pytest.approx(CONTACT, abs=0.002)
    sensors = {"reference_accelerometer"} | ({"waist"} if timed_by == "waist" else set())
    assert {v.sensor for v in measured.values} - {"plate"} == sensors
    pitch = np.radians(PITCH_DEG)
    for sensor in sensors:
        resultant = one(measured, "peak_waist_acceleration", sensor)
        vertical = one(measured, "peak_vertical_waist_acceleration", sensor)
        assert resultant.events.event_source == timed_by
        assert resultant.outcome.value == pytest.approx(np.hypot(4.0, FORE_AFT_G), rel=3e-3)
        expected = 4.0 * np.cos(pitch) + FORE_AFT_G * np.sin(pitch)
        assert vertical.outcome.value == pytest.approx(expected, rel=3e-3)
        assert not resultant.flags | vertical.flags


def test_the_reference_without_an_accepted_standing_says_so_as_the_waist_unit_does():
    worn = pitched({}, "reference_acceleration", "wearables")
    both = pitched(worn.channels, "waist_acceleration", "wearables")
    none = made.calibrate([], WEIGHT / made.G, PROCESSING)
    (measured,) = measure(trial(SINGLE, "left", both), calibration=none)
    for sensor in ("waist", "reference_accelerometer"):
        found = [v for v in measured.values if v.sensor == sensor]
        assert len(found) >= 6
        assert all("calibration_rejected" in value.flags for value in found)
        vertical = one(measured, "peak_vertical_waist_acceleration", sensor)
        assert not isinstance(vertical.outcome, Measured)


def test_a_box_jump_has_the_impact_at_the_waist_but_no_height_of_its_flight():
    """The landing on the box is one of its analysed landings; only flight-time height is void."""
    time = times()
    force = np.where(time < 2.5, 1.0, drop_force(time))
    force = force + 1.5 * made.half_sine(time, 2.2, 0.3)
    (measured,) = measure(trial("box_jump", "both", replace(wearables(force, ()))))
    metrics = rows_of([measured])["metrics"].set_index("metric")
    assert metrics.loc["peak_waist_acceleration", "value"] == pytest.approx(4.0, rel=3e-3)
    assert metrics.loc["peak_waist_acceleration", "valid"]
    assert set(metrics.index) == set(IMPACT_AT_THE_WAIST)
