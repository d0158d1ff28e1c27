"""A half-sine impact: m = 70 kg, peak 3 BW, 100 ms (DOMAIN 9.2), at all rates of the devices.

The events use a threshold of 20 N, so the contact lies where the half-sine reaches it, 0.31 ms
late. Checks of the definition use that instant; the distance to the ideal contact is stated.
"""

import math

import numpy as np
import pytest

from pipeline.events.plate import plate_flights
from pipeline.metrics.force import (
    gross_impulse,
    peak_force,
    peak_vgrf,
    time_to_peak_vgrf,
)
from pipeline.metrics.loading_rate import average_loading_rate
from pipeline.metrics.outcome import Refused
from pipeline.reasons import Reason
from tests.known_answers.rules import FLIGHT
from tests.known_answers.signals import WEIGHT, half_sine, sample_times

PEAK, WIDTH, START = 3.0 * WEIGHT, 0.100, 1.0
CROSSING = WIDTH / math.pi * math.asin(20.0 / PEAK)


def _pulse(rate, contact=START):
    return half_sine(sample_times(rate, 2.0) - contact, PEAK, WIDTH)


def test_the_numbers_of_the_closed_form():
    assert pytest.approx(686.4655, abs=1e-4) == WEIGHT
    assert pytest.approx(2059.3965, abs=1e-4) == PEAK


# DOMAIN 4.1: delay of the threshold behind the true contact
@pytest.mark.parametrize(
    ("threshold", "delay_ms"), [(10, 0.15), (20, 0.31), (30, 0.46), (50, 0.77)]
)
@pytest.mark.parametrize("fraction", [0.0, 0.25, 0.7])
def test_delay_of_the_contact_threshold(threshold, delay_ms, fraction):
    rate = 1000.0
    contact = START + fraction / rate
    phase = plate_flights(_pulse(rate, contact), [threshold], rate, **FLIGHT)[0]
    found_ms = (phase.contact.position / rate - contact) * 1000
    # between two samples the force is taken as straight, but the half-sine has a corner at contact
    assert found_ms == pytest.approx(delay_ms, abs=0.02 if fraction == 0.0 else 0.4)
    assert abs(phase.contact.position / rate - contact) < 1e-3
    assert phase.contact.sample == math.ceil(phase.contact.position)


@pytest.mark.parametrize(("dip_s", "expected_s"), [(0.004, START), (0.007, START + 0.011)])
def test_ringing_does_not_interrupt_a_contact(dip_s, expected_s):
    """A plate that rings to zero 4 ms after the contact: for less than `contact_dip_s`, or more."""
    rate = 1000.0
    time = sample_times(rate, 2.0)
    rings = (time >= START + 0.004 - 1e-9) & (time < START + 0.004 + dip_s - 1e-9)
    force = np.where((time >= START - 1e-9) & ~rings, WEIGHT, 0.0)
    contact = plate_flights(force, [20.0], rate, **FLIGHT)[0].contact
    assert contact.sample / rate == pytest.approx(expected_s, abs=1e-9)


@pytest.mark.parametrize(
    ("rate", "tolerance"), [(100, 2e-2), (200, 5e-3), (500, 1e-3), (1000, 1e-3), (2000, 1e-3)]
)
@pytest.mark.parametrize("fraction", [0.0, 0.3, 0.5])
def test_peak_and_its_time(rate, tolerance, fraction):
    contact = START + fraction / rate
    force, position = _pulse(rate, contact), contact * rate
    peak = peak_force(force, rate, contact=position, lowest=None, peak_force_s=0.2)
    assert peak_vgrf(peak, body_weight_n=WEIGHT).value == pytest.approx(3.0, rel=tolerance)
    time_ms = time_to_peak_vgrf(peak, rate, contact=position).value
    assert time_ms == pytest.approx(50.0, rel=tolerance)
    rise = average_loading_rate(force, peak, rate, contact=position, body_weight_n=WEIGHT)
    # VALR = 2 F/T = 60 BW/s; at contact itself the straight line from the sample before is not 0
    ideal = (peak.force_n - np.interp(position, np.arange(len(force)), force)) / WEIGHT / 0.05
    assert rise.value == pytest.approx(ideal, rel=max(tolerance, 1e-3))
    if fraction == 0.0:
        assert rise.value == pytest.approx(60.0, rel=tolerance)


@pytest.mark.parametrize("fraction", [0.05, 0.3, 0.5, 0.7, 0.95])
@pytest.mark.parametrize("rate", [200, 500, 1000])
def test_a_peak_where_its_window_ends(rate, fraction):
    """A spring's force is largest at the lowest point itself, which ends the window.

    The sample before the lowest point is then the largest of the window and the one behind it may
    be larger still: the vertex lies between them, wherever samples fall.
    """
    contact = START + fraction / rate
    force, position = _pulse(rate, contact), contact * rate
    lowest = position + 0.5 * WIDTH * rate
    peak = peak_force(force, rate, contact=position, lowest=lowest, peak_force_s=0.2)
    time_ms = time_to_peak_vgrf(peak, rate, contact=position).value
    assert time_ms == pytest.approx(50.0, abs=0.01 * 1000.0 / rate)  # a hundredth of a sample
    assert peak.sample == math.floor(lowest)
    assert peak.force_n == force[peak.sample]


@pytest.mark.parametrize("rate", [500, 1000, 2000])
def test_impulses_from_the_true_contact(rate):
    force = _pulse(rate)
    for duration, expected in ((0.050, 0.0954930), (0.100, 0.190986)):
        impulse = gross_impulse(
            force, rate, contact=START * rate, duration_s=duration, body_weight_n=WEIGHT
        )
        assert impulse.value == pytest.approx(expected, rel=1e-3)
    assert impulse.value * WEIGHT == pytest.approx(131.1053, rel=1e-3)
    assert impulse.value - 0.100 == pytest.approx(0.0909859, rel=2e-3)  # net of body weight
    assert impulse.value / 0.100 == pytest.approx(1.909859, rel=1e-3)  # mean force
    assert (impulse.first_sample, impulse.last_sample) == (rate, rate + rate // 10)


@pytest.mark.parametrize("rate", [1000, 2000])
def test_the_definition_with_its_threshold(rate):
    force = _pulse(rate)
    contact = plate_flights(force, [20.0], rate, **FLIGHT)[0].contact.position
    assert contact / rate - START == pytest.approx(CROSSING, abs=2e-5)
    peak = peak_force(force, rate, contact=contact, lowest=None, peak_force_s=0.2)
    rise = average_loading_rate(force, peak, rate, contact=contact, body_weight_n=WEIGHT)
    assert rise.value == pytest.approx((PEAK - 20.0) / WEIGHT / (0.05 - CROSSING), rel=1e-3)
    impulse = gross_impulse(force, rate, contact=contact, duration_s=0.05, body_weight_n=WEIGHT)
    omega = math.pi / WIDTH
    exact = 3.0 / omega * (math.cos(omega * CROSSING) - math.cos(omega * (CROSSING + 0.05)))
    assert impulse.value == pytest.approx(exact, rel=1e-3)
    # what the threshold does to the ideal value: 0.31 ms of the peak force, about 1 %
    assert exact / 0.0954930 - 1.0 == pytest.approx(0.0097, abs=2e-4)


def test_the_lowest_centre_of_mass_ends_the_window():
    # a second, higher peak (propulsion) after the lowest point must not be taken
    rate = 1000.0
    force = _pulse(rate) + half_sine(sample_times(rate, 2.0) - 1.12, 2.0 * PEAK, 0.150)
    whole = peak_force(force, rate, contact=1000.0, lowest=None, peak_force_s=0.2)
    assert whole.force_n == pytest.approx(2.0 * PEAK, rel=1e-3)
    impact = peak_force(force, rate, contact=1000.0, lowest=1110.0, peak_force_s=0.2)
    assert impact.force_n == pytest.approx(PEAK, rel=1e-3)
    assert (impact.first_sample, impact.last_sample) == (1000, 1110)


def test_what_cannot_be_measured_is_refused_with_a_reason():
    rate = 1000.0
    force = _pulse(rate)[:1090]
    peak = peak_force(force, rate, contact=1000.3, lowest=None, peak_force_s=0.2)
    assert isinstance(peak, Refused)
    assert peak.reason is Reason.SHORT_RECORDING
    assert "ends 89 ms after contact" in peak.detail
    impulse = gross_impulse(force, rate, contact=1000.3, duration_s=0.1, body_weight_n=WEIGHT)
    assert impulse.reason is Reason.SHORT_RECORDING
    assert peak_force(force, rate, contact=1000.3, lowest=1000.9, peak_force_s=0.2).reason is (
        Reason.NO_LANDING
    )
    step = np.where(np.arange(2000) >= 1000, PEAK, 0.0)
    at_once = peak_force(step, rate, contact=999.9, lowest=None, peak_force_s=0.2)
    rise = average_loading_rate(step, at_once, rate, contact=999.9, body_weight_n=WEIGHT)
    assert rise.reason is Reason.OUT_OF_RANGE


def test_realistic_noise_bias_and_spread():
    # plate noise of 2 N (DOMAIN 10.5) at 1000 Hz, unfiltered: 400 landings at random instants
    rate, rng = 1000.0, np.random.default_rng(20)
    results = []
    for _ in range(400):
        contact = START + rng.uniform(0, 1 / rate)
        force = _pulse(rate, contact) + rng.normal(0.0, 2.0, 2001)
        found = plate_flights(force, [20.0], rate, **FLIGHT)[0].contact.position
        peak = peak_force(force, rate, contact=found, lowest=None, peak_force_s=0.2)
        j50 = gross_impulse(force, rate, contact=found, duration_s=0.05, body_weight_n=WEIGHT)
        results.append(
            (
                (found / rate - contact) * 1000,
                peak.force_n / WEIGHT / 3.0 - 1.0,
                time_to_peak_vgrf(peak, rate, contact=found).value,
                j50.value / 0.0954930 - 1.0,
            )
        )
    bias, spread = np.mean(results, axis=0), np.std(results, axis=0)
    assert 0.1 < bias[0] < 0.5  # contact late by the threshold, ms
    assert spread[0] < 0.15
    assert 0.0 < bias[1] < 2e-3  # the largest of several noisy samples: a little too high
    assert spread[1] < 1e-3
    assert bias[2] == pytest.approx(50.0 - bias[0], abs=0.2)
    assert spread[2] < 1.5
    assert bias[3] == pytest.approx(0.01, abs=5e-3)
    assert spread[3] < 5e-3
