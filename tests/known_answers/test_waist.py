"""Waist accelerometer: flight, contact, take-off and peak of a resultant with known instants."""

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.events.tasks import (
    countermovement_jump,
    drop_vertical_jump,
    single_leg_drop_landing,
)
from pipeline.events.waist import resultant, waist_flights
from pipeline.metrics.waist import peak_waist_acceleration
from pipeline.reasons import Reason
from tests.known_answers import rules
from tests.known_answers.rules import WAIST
from tests.known_answers.signals import G, half_sine, sample_times

TASK = replace(rules.TASK, smallest_landing_peak=1.5)


def _jump_g(rate, peak=6.0, width=0.060, takeoff=1.0, contact=1.5, dip_s=0.030):
    """1 g, a linear fall to 0.05 g ending at take-off, flight, half-sine impact, 1 g."""
    time = sample_times(rate, 3.0)
    fall = np.clip((takeoff - time) / dip_s, 0.0, 1.0)
    before = 0.05 + 0.95 * fall
    after = np.where(time > contact + width, 1.0, half_sine(time - contact, peak, width))
    return np.where(time < contact, before, np.maximum(after, 0.05))


@pytest.mark.parametrize("rate", [100, 200, 500, 1000])
@pytest.mark.parametrize("shift", [0.0, 0.0013])
def test_flight_of_a_jump(rate, shift):
    signal = _jump_g(rate, takeoff=1.0 + shift, contact=1.5 + shift)
    (phase,) = waist_flights(signal, rate, **WAIST)
    takeoff = 1.0 + shift - 0.030 * (0.4 - 0.05) / 0.95
    contact = 1.5 + shift + 0.060 / math.pi * math.asin(1.0 / 6.0)
    tolerance = 1e-3 if rate >= 500 else 0.3 / rate
    assert phase.takeoff.seconds(rate) == pytest.approx(takeoff, abs=tolerance)
    assert phase.contact.seconds(rate) == pytest.approx(contact, abs=tolerance)
    peak = peak_waist_acceleration(signal, rate, contact=phase.contact.position, waist_peak_s=0.2)
    loss = 1.0 - math.cos(math.pi * 0.5 / rate / 0.060)  # DOMAIN 3.5, worst case
    assert 6.0 * (1.0 - loss) - 1e-9 <= peak.value <= 6.0
    assert phase.peak == peak.value


@pytest.mark.parametrize(("heel_at", "contact_by"), [(1.545, "toe"), (1.60, "heel")])
def test_contact_is_the_last_rise_before_the_peak(heel_at, contact_by):
    # The toe gives a small peak from 1.5 to 1.53 s, the heel the large one. 15 ms after the toe it
    # belongs to the same impact; 70 ms after it, walking back stops at the heel's own rise.
    rate = 1000.0
    toe = _jump_g(rate, peak=1.8, width=0.030)
    time = sample_times(rate, 3.0)
    heel = np.maximum(half_sine(time - heel_at, 6.0, 0.06), 0.3)
    signal = np.where(time > 1.53, heel, toe)
    signal[time > heel_at + 0.06] = 1.0
    (phase,) = waist_flights(signal, rate, **WAIST)
    rise = {
        "toe": 1.5 + 0.030 / math.pi * math.asin(1.0 / 1.8),
        "heel": heel_at + 0.060 / math.pi * math.asin(1.0 / 6.0),
    }
    assert phase.contact.seconds(rate) == pytest.approx(rise[contact_by], abs=1e-3)


@pytest.mark.parametrize("ringing_s", [0.0, 0.020, 0.040])
def test_ringing_after_takeoff_does_not_delay_it(ringing_s):
    rate = 500.0
    time = sample_times(rate, 3.0)
    signal = _jump_g(rate) + half_sine(time - 1.005, 1.2, max(ringing_s, 1e-9))
    (phase,) = waist_flights(signal, rate, **WAIST)
    assert phase.takeoff.seconds(rate) == pytest.approx(1.0 - 0.030 * 0.35 / 0.95, abs=1e-3)


def test_a_long_rise_after_takeoff_is_no_ringing():
    rate = 500.0
    time = sample_times(rate, 3.0)
    signal = _jump_g(rate) + half_sine(time - 1.005, 1.2, 0.120)
    (phase,) = waist_flights(signal, rate, **WAIST)
    assert phase.takeoff.seconds(rate) > 1.1


def test_orientation_does_not_matter():
    rng = np.random.default_rng(4)
    signal = _jump_g(1000.0)
    axis = rng.normal(size=3)
    turned = np.outer(axis / np.linalg.norm(axis), signal * G)
    np.testing.assert_allclose(resultant(turned) / G, signal, rtol=1e-12)


def test_wobble_in_flight_and_short_dips():
    rate = 500.0
    signal = _jump_g(rate)
    signal[600:603] = 0.6  # 6 ms above the threshold: a jolt, not a contact
    assert len(waist_flights(signal, rate, **WAIST)) == 1
    standing = np.ones(1000)
    standing[300:345] = 0.2  # 90 ms
    assert waist_flights(standing, rate, **WAIST) == ()


def test_tasks_by_waist():
    rate = 500.0
    jump = _jump_g(rate)
    phases = waist_flights(jump, rate, **WAIST)
    assert countermovement_jump(phases, rate, TASK).flags == ()
    assert single_leg_drop_landing(phases, rate, TASK).flags == ()
    events = drop_vertical_jump(phases, rate, TASK)
    assert events.flags == (Reason.NO_FLIGHT,)
    assert len(events.landings) == 1
    # fall from the box, contact of 0.3 s, flight, landing 2
    twice = np.concatenate([jump[: round(1.8 * rate)], _jump_g(rate)[round(0.95 * rate) :]])
    events = drop_vertical_jump(waist_flights(twice, rate, **WAIST), rate, TASK)
    assert events.flags == ()
    first, second = events.landings
    contact_s = (first.takeoff.position - first.contact.position) / rate
    assert contact_s == pytest.approx(0.3 + 0.05 - 0.030 * 0.35 / 0.95 - 0.0032, abs=0.002)
    assert second.flight.duration_s(rate) == pytest.approx(0.5 + 0.011 + 0.0032, abs=0.002)
    hop = single_leg_drop_landing(waist_flights(twice, rate, **WAIST), rate, TASK)
    assert hop.flags == (Reason.SECOND_HOP,)
    assert single_leg_drop_landing((), rate, TASK).flags == (Reason.NO_FLIGHT,)


@pytest.mark.parametrize("peak_g", [0.9, 1.1])
def test_a_lull_that_ends_in_no_rise_is_no_flight(peak_g):
    """The body sinks for 0.15 s at 0.2 g after a landing and is caught softly: nobody jumped."""
    rate = 500.0
    time = sample_times(rate, 3.0)
    landed = _jump_g(rate)
    soft = np.where(time < 2.4, peak_g, 1.0)  # for longer than the impact is sought
    signal = np.where((time > 2.0) & (time < 2.4), np.where(time < 2.15, 0.2, soft), landed)
    events = drop_vertical_jump(waist_flights(signal, rate, **WAIST), rate, TASK)
    flights = len(waist_flights(signal, rate, **WAIST))
    assert flights == (1 if peak_g < 1.0 else 2)  # with a rise the peak decides, by the task
    if peak_g < 1.0:
        assert events.flags == (Reason.NO_FLIGHT,)
        assert events.landings[0].takeoff is None
    # Cut where the lull goes on or the catch is not yet seen, it may be a flight.
    assert len(waist_flights(signal[: round(2.2 * rate)], rate, **WAIST)) == 2


def test_a_recording_that_ends_in_the_impact_has_no_peak():
    signal = _jump_g(1000.0)[:1600]
    phase = waist_flights(signal, 1000.0, **WAIST)[0]
    peak = peak_waist_acceleration(signal, 1000.0, contact=phase.contact.position, waist_peak_s=0.2)
    assert peak.reason is Reason.SHORT_RECORDING


def test_peak_with_realistic_noise():
    # 10 mg of noise per axis (DOMAIN 10.5); the maximum of noisy samples is slightly high
    rate, rng = 500.0, np.random.default_rng(6)
    clean = _jump_g(rate, width=0.08)
    errors, contacts = [], []
    for _ in range(200):
        noisy = np.outer([0.2, 0.95, 0.1], clean) / np.linalg.norm([0.2, 0.95, 0.1])
        noisy = resultant(noisy + rng.normal(0.0, 0.010, noisy.shape))
        phase = waist_flights(noisy, rate, **WAIST)[0]
        contacts.append(phase.contact.seconds(rate) * 1000)
        errors.append(
            peak_waist_acceleration(
                noisy, rate, contact=phase.contact.position, waist_peak_s=0.2
            ).value
            - 6.0
        )
    assert abs(np.mean(errors)) < 0.015
    assert np.std(errors) < 0.015
    assert np.std(contacts) < 0.2
