"""Landing of a mass on a spring, undamped and damped (DOMAIN 9.3 and 9.4)."""

import math

import numpy as np
import pytest

from pipeline.events.centre_of_mass import (
    descent,
    impact_speed_before_jump,
    impact_speed_from_drop,
    impact_speed_from_final_stance,
    impact_speed_from_flight,
    speed_change,
)
from pipeline.events.plate import plate_flights
from pipeline.metrics.force import gross_impulse, peak_force
from tests.known_answers.rules import FLIGHT, SEARCH
from tests.known_answers.signals import (
    MASS,
    WEIGHT,
    G,
    Jump,
    SpringMass,
    drop_jump_force,
    drop_jump_times,
    sample_times,
)

HEIGHT, START = 0.30, 1.0
SPEED = impact_speed_from_drop(HEIGHT)

# k N/m, F_pk BW, x_max m, t_pk s, t_c s, slope0 BW/s, gross impulse BW s
TABLE = [
    (7000, 3.668014, 0.359709, 0.195499, 0.390998, 24.7352, 0.885702),
    (14000, 4.638213, 0.227427, 0.130761, 0.261522, 49.4704, 0.756226),
    (28000, 6.047097, 0.148254, 0.088512, 0.177025, 98.9408, 0.671729),
]


def _undamped(stiffness, rate, contact=START):
    spring = SpringMass(stiffness, 0.0, SPEED)
    time = sample_times(rate, 3.0) - contact
    _, takeoff, _ = drop_jump_times(contact, spring)
    return np.where(time < takeoff - contact, spring.force(time), 0.0)


# DOMAIN 5.1 and 9.1
@pytest.mark.parametrize(
    ("height", "speed"), [(0.30, 2.4257), (0.31, 2.4658), (0.40, 2.8010), (0.60, 3.4304)]
)
def test_impact_speed_after_a_drop(height, speed):
    assert impact_speed_from_drop(height) == pytest.approx(speed, abs=6e-5)


def test_impact_speed_after_a_flight():
    assert impact_speed_from_flight(0.5) == pytest.approx(2.45166, abs=5e-6)
    assert impact_speed_from_flight(0.5, gravity=9.8) == pytest.approx(2.45, abs=1e-12)


@pytest.mark.parametrize("row", TABLE)
@pytest.mark.parametrize("rate", [500, 1000, 2000])
@pytest.mark.parametrize("fraction", [0.0, 0.4])
def test_undamped_landing(row, rate, fraction):
    stiffness, peak_bw, depth, peak_s, contact_s, slope, impulse = row
    contact = START + fraction / rate
    force = _undamped(stiffness, rate, contact)
    phases = plate_flights(force, [20.0], rate, **FLIGHT)
    found = phases[0].contact.position
    assert abs(found / rate - contact) < 1.2e-3  # 20 N at 24.7 BW/s are 1.18 ms
    assert abs(phases[1].takeoff.position / rate - contact - contact_s) < 1.2e-3
    lowest = descent(
        force, rate, contact=contact * rate, impact_speed=SPEED, body_weight_n=WEIGHT, **SEARCH
    )
    assert lowest.lowest / rate - contact == pytest.approx(peak_s, abs=2e-4)
    by_events = descent(
        force, rate, contact=found, impact_speed=SPEED, body_weight_n=WEIGHT, **SEARCH
    )
    assert by_events.lowest / rate - contact == pytest.approx(peak_s, abs=1e-3)
    peak = peak_force(force, rate, contact=found, lowest=by_events.lowest, peak_force_s=0.2)
    assert peak.force_n / WEIGHT == pytest.approx(peak_bw, rel=1e-3)
    assert peak.force_n / depth == pytest.approx(stiffness, rel=1e-3)  # k = F/x on a spring
    # with limits around the whole contact, the part below the threshold is in it
    whole = gross_impulse(
        force, rate, contact=contact * rate - 2, duration_s=contact_s + 4 / rate,
        body_weight_n=WEIGHT,
    )  # fmt: skip
    assert whole.value == pytest.approx(impulse, rel=1e-3)
    if fraction == 0.0 and rate == 2000:
        start = (force[round(contact * rate) + 1] / WEIGHT) * rate
        assert start == pytest.approx(slope, rel=0.02)


def test_first_impulses_and_identities_of_the_14_kn_spring():
    rate, stiffness = 1000.0, 14000.0
    force = _undamped(stiffness, rate)
    for duration, expected in ((0.05, 0.0633677), (0.10, 0.2389333)):
        value = gross_impulse(
            force, rate, contact=START * rate, duration_s=duration, body_weight_n=WEIGHT
        ).value
        assert value == pytest.approx(expected, rel=1e-3)
    lowest = descent(
        force, rate, contact=START * rate, impact_speed=SPEED, body_weight_n=WEIGHT, **SEARCH
    ).lowest
    stopped = speed_change(force, rate, START * rate, lowest, body_weight_n=WEIGHT)
    assert stopped == pytest.approx(SPEED, abs=1e-6)
    # an instant of rest that comes from elsewhere (the table) makes the identity a real check
    stopped = speed_change(force, rate, START * rate, (START + 0.130761) * rate,
                           body_weight_n=WEIGHT)  # fmt: skip
    assert stopped / G == pytest.approx(0.247352, rel=1e-3)


def test_the_impulse_counts_from_the_threshold():
    # momentum gives the impulse between any two instants: m (g t + v_first - v_last)
    rate, spring = 1000.0, SpringMass(14000.0, 0.0, SPEED)
    force = _undamped(14000.0, rate)
    crossing = spring.time_of(20.0, 0.05)
    found = plate_flights(force, [20.0], rate, **FLIGHT)[0].contact.position
    assert found / rate - START == pytest.approx(crossing, abs=2e-5)
    for duration in (0.05, 0.10):
        value = gross_impulse(
            force, rate, contact=found, duration_s=duration, body_weight_n=WEIGHT
        ).value
        exact = spring.gross_impulse_bw_s(crossing, crossing + duration)
        assert value == pytest.approx(exact, rel=1e-3)
    # a soft start delays the threshold by 0.59 ms, which lifts the 50 ms impulse by 2.3 %
    late = spring.gross_impulse_bw_s(crossing, crossing + 0.05)
    assert late / spring.gross_impulse_bw_s(0.0, 0.05) - 1.0 == pytest.approx(0.0226, abs=1e-3)


@pytest.mark.parametrize("rate", [500, 1000, 2000])
@pytest.mark.parametrize("fraction", [0.0, 0.5, 0.9])
def test_damped_landing_peaks_before_the_lowest_point(rate, fraction):
    contact = START + fraction / rate
    spring = SpringMass(14000.0, 0.2, SPEED)
    assert spring.damping == pytest.approx(395.97980, abs=1e-5)
    time = sample_times(rate, 2.0) - contact
    force = spring.force(time)
    # the force begins with a step of c v0
    assert spring.force(np.array([0.0]))[0] / WEIGHT == pytest.approx(1.399234, abs=1e-6)
    found = plate_flights(force, [20.0], rate, **FLIGHT)[0].contact.position
    assert abs(found / rate - contact) < 1.0 / rate
    lowest = descent(
        force, rate, contact=math.ceil(contact * rate), body_weight_n=WEIGHT, **SEARCH,
        impact_speed=spring.speed(math.ceil(contact * rate) / rate - contact),
    )  # fmt: skip
    assert lowest.lowest / rate - contact == pytest.approx(0.119671, abs=2e-4)
    assert spring.depth(0.119671) == pytest.approx(0.1692922, abs=1e-7)
    by_events = descent(
        force, rate, contact=found, impact_speed=SPEED, body_weight_n=WEIGHT, **SEARCH
    )
    assert by_events.lowest / rate - contact == pytest.approx(0.119671, abs=1.5e-3)
    peak = peak_force(force, rate, contact=found, lowest=by_events.lowest, peak_force_s=0.2)
    assert peak.force_n / WEIGHT == pytest.approx(3.662732, rel=1e-3)
    assert peak.position / rate - contact == pytest.approx(0.090608, abs=1e-4)
    assert peak.position < by_events.lowest - 0.025 * rate


def test_impact_speed_from_what_follows():
    rate, contact = 1000.0, 1.2
    drop, jump = SpringMass(12000.0, 0.0, SPEED), Jump()
    force = drop_jump_force(rate, contact, drop, jump)
    _, takeoff, second = drop_jump_times(contact, drop)
    speed = impact_speed_before_jump(
        force, rate, contact=contact * rate, takeoff=takeoff * rate, flight_s=second - takeoff,
        body_weight_n=WEIGHT,
    )  # fmt: skip
    assert speed == pytest.approx(SPEED, rel=1e-3)
    speed = impact_speed_from_final_stance(
        force, rate, contact=math.ceil(second * rate), stance_position=len(force) - 500.0,
        body_weight_n=WEIGHT,
    )  # fmt: skip
    # measured from the first sample after contact: at most one sample of the initial step is lost
    assert speed == pytest.approx(SPEED, abs=0.03)
    light = impact_speed_from_final_stance(
        force, rate, contact=math.ceil(second * rate), stance_position=len(force) - 500.0,
        body_weight_n=WEIGHT * 0.999,
    )  # fmt: skip
    assert light - speed == pytest.approx(0.001 * G * 3.5, rel=0.15)


def test_no_lowest_point_within_the_recording_is_said():
    spring = SpringMass(14000.0, 0.0, SPEED)
    force = spring.force(sample_times(1000.0, 1.1) - 1.0)
    found = descent(
        force[:1100], 1000.0, contact=1000.0, impact_speed=SPEED, body_weight_n=MASS * G, **SEARCH
    )
    assert found is None
