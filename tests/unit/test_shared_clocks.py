"""Devices that were declared to share a clock: one stomp, seen by one of them, times all."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.extraction.synchronise import by_stomp, by_trigger
from pipeline.extraction.visit import measure_visit
from pipeline.metrics.outcome import Measured
from tests.known_answers.stomp_study import stomp
from tests.unit.extraction_signals import (
    CONTACT,
    PROCESSING,
    RATE,
    SCALES,
    WEIGHT,
    G,
    drop_force,
    plates,
    standing,
    times,
    trial,
    wearables,
)
from tests.unit.test_knee_sensors import camera

LEAD_S, STOMP_S, AHEAD_S = 4.0, 1.2, 0.3
"""The task begins 4 s later than without a stomp; the units begin 0.3 s before the plates."""
FORCE = drop_force(times())
FILM = replace(camera(100.0), device="camera", recording_id="trial.camera")


def led(signals, stomp_of, lead_s=LEAD_S):
    """Put time for a stomp before a recording: its first sample is held, the stomp added to it."""
    at = np.arange(round(lead_s * signals.rate_hz)) / signals.rate_hz
    shock = stomp(at, STOMP_S + lead_s - LEAD_S)
    channels = {
        name: np.concatenate([values[0] + stomp_of.get(name, 0.0) * shock, values])
        for name, values in signals.channels.items()
    }
    return replace(signals, channels=channels)


PLATES = led(plates({"left": 1.0, "right": 0.0}, FORCE), {"vertical_force.left": WEIGHT})
UNITS = led(wearables(FORCE), {"waist_acceleration.y": 0.8 * G}, LEAD_S + AHEAD_S)


def together(*recordings, shared=()):
    found = by_stomp(recordings, WEIGHT, PROCESSING, shared)
    return found.recordings, {clock.device: clock for clock in found.clocks}


def excursion(*recordings):
    """Return flexion excursion by the camera, and where its contact comes from."""
    one_trial = trial("single_leg_drop_landing", "left", *recordings)
    (measured,) = measure_visit([one_trial], standing(), SCALES, PROCESSING)
    values = [
        value
        for part in measured.by_clock
        for value in part.values
        if value.metric == "knee_flexion_excursion" and value.sensor == "camera"
    ]
    return values[0]


@pytest.mark.parametrize(
    ("partner", "ahead_s", "lag_s"), [("plates", 0.0, 0.0), ("wearables", AHEAD_S, AHEAD_S)]
)
def test_a_camera_takes_the_lag_of_the_device_that_shows_the_stomp(partner, ahead_s, lag_s):
    """The reference is the same trial with a trigger and without a stomp."""
    film = led(FILM, {}, LEAD_S + ahead_s)
    recordings, clocks = together(PLATES, UNITS, film, shared=((partner, "camera"),))
    found = clocks["camera"]
    assert found.compared == "shared_clock"
    assert found.correlation is None
    assert found.lag_s == pytest.approx(lag_s, abs=1e-4)
    assert clocks["wearables"].lag_s == pytest.approx(AHEAD_S, abs=1e-4)
    value = excursion(*recordings)
    plain = by_trigger(
        (plates({"left": 1.0, "right": 0.0}, FORCE), wearables(FORCE), FILM), WEIGHT, PROCESSING
    )
    assert isinstance(value.outcome, Measured)
    assert not value.flags
    assert value.events.event_source == "plate"
    assert value.outcome.value == pytest.approx(excursion(*plain.recordings).outcome.value, 1e-3)


def test_without_the_declaration_the_camera_has_no_contact():
    recordings, clocks = together(PLATES, UNITS, led(FILM, {}))
    assert "no stomp can be seen" in clocks["camera"].reason
    assert excursion(*recordings).outcome.reason == "sync_fail"


def test_a_clock_whose_lag_cannot_be_told_is_that_of_all_its_devices():
    """The unit did not feel the stomp; the camera still shares the unit's own contact."""
    units, film = led(wearables(FORCE), {}), led(FILM, {})
    away = tuple(replace(x, start_s=500.0 + i * 0.25) for i, x in enumerate((units, film)))
    recordings, clocks = together(PLATES, *away, shared=(("camera", "wearables"),))
    assert clocks["wearables"].reason.startswith("no stomp: the largest shock is")
    assert clocks["camera"].reason.startswith("its clock is that of wearables: no stomp")
    by_device = {x.device: x for x in recordings}
    assert by_device["camera"].clock == by_device["wearables"].clock == "camera+wearables"
    value = excursion(*recordings)
    # The file of the camera begins 250 ms after that of the unit: its contact is that much sooner.
    first = value.signals.raw_sample(value.outcome.first_sample)
    assert first == pytest.approx((LEAD_S + CONTACT - 0.25) * FILM.rate_hz, abs=2)
    assert value.events.event_source == "waist"
    assert "own_clock" in value.flags


def test_one_clock_has_one_lag():
    """A unit that shares the plates' clock keeps it, whatever way the shock takes to the waist."""
    late = led(wearables(FORCE), {"waist_acceleration.y": 0.8 * G})
    late = replace(late, start_s=0.004)
    recordings, clocks = together(PLATES, late, shared=(("plates", "wearables"),))
    assert clocks["wearables"].lag_s == 0.0
    assert {x.device: x.flags for x in recordings} == {"plates": (), "wearables": ()}
    worn = next(x for x in recordings if x.device == "wearables")
    assert worn.seconds(0) - worn.raw_sample(0) / RATE == pytest.approx(0.004)
