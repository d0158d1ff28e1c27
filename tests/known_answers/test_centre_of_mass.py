"""Displacement, work, impulse and stiffness of a mass on a spring (DOMAIN 9.3 and 9.4)."""

import math

import numpy as np
import pytest

from pipeline.events.centre_of_mass import descent
from pipeline.events.plate import plate_flights
from pipeline.metrics.centre_of_mass import (
    displacement,
    force_displacement_correlation,
    negative_work,
    net_braking_impulse,
    time_to_lowest_point,
    vertical_stiffness,
)
from pipeline.metrics.force import contact_lag, gross_impulse_until, impulse_share
from pipeline.reasons import Reason
from tests.known_answers.rules import FLIGHT, SEARCH
from tests.known_answers.signals import WEIGHT, G, SpringMass, half_sine, sample_times

HEIGHT, START = 0.30, 1.0
SPEED = math.sqrt(2.0 * G * HEIGHT)
# k N/m, F_pk BW, x_max m, t_pk s
TABLE = [
    (7000, 3.668014, 0.359709, 0.195499),
    (14000, 4.638213, 0.227427, 0.130761),
    (28000, 6.047097, 0.148254, 0.088512),
]
# the largest relative error that a rate may bring, of a landing that lasts 90 to 200 ms
RATES = [(100, 0.02), (200, 5e-3), (500, 1e-3), (1000, 3e-4), (2000, 1e-4)]


def _way(force, rate, contact=START, speed=SPEED, weight=WEIGHT):
    return descent(
        force, rate, contact=contact * rate, impact_speed=speed, body_weight_n=weight, **SEARCH
    )


def _spring(stiffness, rate, damping=0.0, contact=START):
    spring = SpringMass(stiffness, damping, SPEED)
    return spring, spring.force(sample_times(rate, 2.0) - contact)


@pytest.mark.parametrize(("rate", "tolerance"), RATES)
@pytest.mark.parametrize("row", TABLE)
def test_undamped_landing(row, rate, tolerance):
    stiffness, peak_bw, depth, peak_s = row
    _, force = _spring(stiffness, rate)
    way = _way(force, rate)
    scale = {"body_weight_n": WEIGHT}
    assert displacement(way).value == pytest.approx(depth, rel=tolerance)
    assert time_to_lowest_point(way, rate).value == pytest.approx(1000.0 * peak_s, rel=tolerance)
    # k = F/x exactly, and force and displacement are one straight line
    assert force_displacement_correlation(way).value == pytest.approx(1.0, abs=tolerance)
    found = vertical_stiffness(
        way, force_displacement_correlation(way).value, smallest_correlation=0.8
    )
    assert found.value == pytest.approx(stiffness / 1000.0, rel=2.0 * tolerance)
    assert way.force_n[-1] / WEIGHT == pytest.approx(peak_bw, rel=tolerance)
    # the identities: net impulse = v, work = v^2/2 + g dy
    assert net_braking_impulse(way, rate, **scale).value == pytest.approx(SPEED, rel=tolerance)
    work = negative_work(way, rate, **scale).value
    assert work == pytest.approx(0.5 * SPEED**2 + G * depth, rel=tolerance)
    if stiffness == 14000:
        assert work == pytest.approx(5.17229, rel=tolerance)
    measured = displacement(way)
    assert measured.first_sample == START * rate
    assert measured.last_sample == math.ceil(way.lowest)


@pytest.mark.parametrize(("rate", "tolerance"), RATES[1:])
def test_an_instant_of_rest_from_the_closed_form(rate, tolerance):
    # net impulse until the tabled instant: a check that does not close by itself (9.3: v0/g)
    _, force = _spring(14000, rate)
    gross = gross_impulse_until(
        force, rate, contact=START * rate, end=(START + 0.130761) * rate, body_weight_n=WEIGHT
    )
    assert gross.value - 0.130761 == pytest.approx(0.247352, rel=3.0 * tolerance)
    whole = gross_impulse_until(
        force, rate, contact=START * rate, end=_way(force, rate).lowest, body_weight_n=WEIGHT
    )
    assert whole.value == pytest.approx(0.130761 + 0.247352, rel=3.0 * tolerance)


@pytest.mark.parametrize("rate", [500, 1000, 2000])
@pytest.mark.parametrize("fraction", [0.0, 0.4])
def test_damped_landing(rate, fraction):
    contact = START + fraction / rate
    spring, force = _spring(14000.0, rate, 0.2, contact)
    # the force begins with a step of 1.4 BW, so the integration starts at the first sample in it
    first = math.ceil(contact * rate) / rate
    way = _way(force, rate, first, spring.speed(first - contact))
    before = spring.depth(first - contact)
    assert displacement(way).value + before == pytest.approx(0.1692922, rel=1e-3)
    assert way.lowest / rate - contact == pytest.approx(0.119671, abs=2e-4)
    # a damper is no spring: the force is high when the displacement is still small
    correlation = force_displacement_correlation(way).value
    time = np.linspace(0.0, 0.119671, 20001)
    x = np.array([spring.depth(t) for t in time[::50]])
    assert correlation == pytest.approx(np.corrcoef(spring.force(time[::50]), x)[0, 1], abs=5e-3)
    found = vertical_stiffness(
        way, force_displacement_correlation(way).value, smallest_correlation=0.8
    )
    exact = float(spring.force(np.array([0.119671]))[0]) / 0.1692922 / 1000.0
    if before == 0.0:
        assert found.value == pytest.approx(exact, rel=2e-3)


def test_no_stiffness_without_a_spring():
    # an impact at the start and a constant force after: displacement grows, force does not
    rate = 1000.0
    time = sample_times(rate, 2.0) - START
    force = np.where(time >= 0.0, 1.5 * WEIGHT, 0.0) + half_sine(time, 5.0 * WEIGHT, 0.040)
    way = _way(force, rate)
    found = vertical_stiffness(
        way, force_displacement_correlation(way).value, smallest_correlation=0.8
    )
    assert found.reason is Reason.NOT_SPRING_LIKE
    assert f"correlate by {force_displacement_correlation(way).value:.2f}" in found.detail
    assert displacement(way).value > 0.0


def test_what_errors_do_to_the_way_down():
    rate = 1000.0
    _, force = _spring(14000.0, rate)
    exact = displacement(_way(force, rate)).value
    # the speed at contact dominates: 1 % of speed moves the depth by 0.9 % on this spring
    fast = displacement(_way(force, rate, speed=1.01 * SPEED)).value
    assert 0.005 < fast / exact - 1.0 < 0.015
    # 0.5 % of body weight over 130 ms is 0.006 m/s: hardly anything
    light = displacement(_way(force, rate, weight=0.995 * WEIGHT)).value
    assert abs(light / exact - 1.0) < 0.005
    # an offset of 15 N that was not removed, of 686 N of body weight
    heavy = displacement(_way(force + 15.0, rate)).value
    assert -0.02 < heavy / exact - 1.0 < 0.0
    rng = np.random.default_rng(9)
    noisy = [
        displacement(_way(force + rng.normal(0.0, 2.0, force.size), rate)).value for _ in range(100)
    ]
    assert np.mean(noisy) == pytest.approx(exact, rel=1e-4)
    assert np.std(noisy) < 1e-3 * exact


def test_events_at_the_threshold():
    # contact by 20 N comes 0.6 ms late on this spring; the speed that is lost there is g * 0.6 ms
    rate = 1000.0
    _, force = _spring(14000.0, rate)
    phases = plate_flights(np.where(sample_times(rate, 2.0) < 1.2, force, 0.0), [20.0], rate,
                           **FLIGHT)  # fmt: skip
    contact = phases[0].contact.position / rate
    assert contact - START == pytest.approx(0.0006, abs=1e-4)
    way = _way(force, rate, contact)
    assert way.lowest / rate - START == pytest.approx(0.130761, abs=1e-3)
    assert displacement(way).value == pytest.approx(0.227427, rel=0.01)


def test_share_of_the_impulse_and_lag():
    rate = 1000.0
    _, force = _spring(14000.0, rate)
    left, right = 0.4 * force, 0.6 * force
    place = {"contact": START * rate, "end": (START + 0.130761) * rate}
    assert impulse_share(left, force, rate, **place).value == pytest.approx(40.0, rel=1e-12)
    assert impulse_share(right, force, rate, **place).value == pytest.approx(60.0, rel=1e-12)
    nothing = impulse_share(left, np.zeros_like(force), rate, **place)
    assert nothing.reason is Reason.OUT_OF_RANGE
    late, early = contact_lag(1012.5, 1000.0, rate), contact_lag(1000.0, 1012.5, rate)
    assert (late.value, early.value) == (12.5, -12.5)
    assert (late.first_sample, late.last_sample) == (1000, 1013)


def test_what_is_no_way_down_is_none():
    rate = 1000.0
    _, force = _spring(14000.0, rate)
    assert _way(force[:1100], rate) is None
    assert _way(force, rate, speed=0.0) is None
    assert _way(force, rate, speed=-1.0) is None
