"""Flight, contact and jump heights of a jump whose take-off speed is known in closed form."""

import numpy as np
import pytest

from pipeline.calibration.body_weight import quiet_stance
from pipeline.events.onset import movement_onset
from pipeline.events.plate import contact_threshold, empty_plate, plate_flights
from pipeline.events.tasks import countermovement_jump, drop_vertical_jump
from pipeline.metrics.jump import (
    height_over_time,
    jump_height_from_final_stance,
    jump_height_from_flight_time,
    jump_height_from_impulse,
    time_between,
)
from pipeline.metrics.outcome import Measured, Refused
from pipeline.reasons import Reason
from tests.known_answers.rules import EMPTY, FLIGHT, ONSET, STANCE, TASK, THRESHOLD
from tests.known_answers.signals import (
    WEIGHT,
    G,
    Jump,
    SpringMass,
    drop_jump_force,
    drop_jump_times,
)


# DOMAIN 9.1: h = g t^2/8
@pytest.mark.parametrize(
    ("flight", "height"),
    [(0.3, 0.110325), (0.4, 0.196133), (0.5, 0.306458), (0.6, 0.441299), (0.7, 0.600657)],
)
def test_height_of_a_flight_time(flight, height):
    measured = jump_height_from_flight_time(Measured(flight, 10, 20))
    assert measured.value == pytest.approx(height, abs=5e-7)
    assert (measured.first_sample, measured.last_sample) == (10, 20)


def test_height_error_of_a_millisecond():
    # DOMAIN 9.1: dh/dt = g t/4, 1.2258 mm per ms at 0.5 s
    change = (
        jump_height_from_flight_time(Measured(0.5005, 0, 1)).value
        - jump_height_from_flight_time(Measured(0.4995, 0, 1)).value
    )
    assert change == pytest.approx(1.2258e-3, abs=1e-7)


def _events(force, rate):
    plate = empty_plate(force, rate, **EMPTY)
    level = contact_threshold(plate.noise_n, **THRESHOLD)
    force = force - plate.offset_n
    phases = plate_flights(force, [level], rate, **FLIGHT)
    return force, phases


def _jump_heights(force, rate):
    force, phases = _events(force, rate)
    events = countermovement_jump(phases, rate, TASK)
    flight = events.landings[0].flight
    stance = quiet_stance(force, rate, **STANCE, end_sample=flight.takeoff.sample)
    onset = movement_onset(force, rate, stance=stance, end_sample=flight.takeoff.sample, **ONSET)
    weight = force[stance.samples].mean()
    flight_time = time_between(flight.takeoff.position, flight.contact.position, rate)
    impulse = jump_height_from_impulse(
        force, rate, onset=onset.position, takeoff=flight.takeoff.position, body_weight_n=weight
    )
    return events, onset, weight, flight_time, impulse


@pytest.mark.parametrize("rate", [500, 1000, 2000])
@pytest.mark.parametrize("offset", [0.0, 17.0, -8.0])
@pytest.mark.parametrize("start", [2.0, 2.00037])
def test_countermovement_jump_without_noise(rate, offset, start):
    jump = Jump(start=start)
    events, onset, weight, flight_time, impulse = _jump_heights(jump.force(rate) + offset, rate)
    landing = events.landings[0]
    assert events.flags == ()
    assert weight == pytest.approx(WEIGHT, rel=1e-9)
    assert landing.takeoff is None
    # 20 N on a fall of 686 N in 10 ms come 0.29 ms before the end of contact
    takeoff_s = landing.flight.takeoff.seconds(rate)
    assert -0.0004 - 0.5 / rate < takeoff_s - jump.takeoff < 0.0002
    assert abs(landing.contact.seconds(rate) - jump.contact) < 1.0 / rate
    assert abs(onset.seconds(rate) - (start - 0.030)) <= 0.010
    assert flight_time.value == pytest.approx(jump.flight_time, abs=1.0 / rate)
    height = jump_height_from_flight_time(flight_time).value
    assert height == pytest.approx(jump.height, abs=G * jump.flight_time / 4.0 / rate)
    # the definition: speed at the instant of the threshold, 0.29 ms x g above that at take-off
    late = jump.fall * 20.0 / WEIGHT
    speed = jump.takeoff_speed + G * late
    by_definition = speed**2 / (2 * G)
    measured = np.sqrt(2 * G * impulse.value)
    assert measured == pytest.approx(speed, rel=1e-3 if rate >= 1000 else 2e-3)
    assert by_definition / jump.height - 1.0 < 2.6e-3
    assert impulse.first_sample == onset.sample
    assert impulse.last_sample == landing.flight.takeoff.sample


def test_countermovement_jump_with_realistic_noise():
    # plate noise 2 N, offset, random instants (DOMAIN 10.5): bias and spread over 60 jumps
    rate, rng, errors = 1000.0, np.random.default_rng(8), []
    for _ in range(60):
        jump = Jump(start=2.0 + rng.uniform(0, 1e-3))
        force = jump.force(rate) + 5.0
        force += rng.normal(0.0, 2.0, len(force))
        events, _, _, flight_time, impulse = _jump_heights(force, rate)
        landing = events.landings[0]
        errors.append((
            (landing.flight.takeoff.seconds(rate) - jump.takeoff) * 1000,
            (landing.contact.seconds(rate) - jump.contact) * 1000,
            (jump_height_from_flight_time(flight_time).value - jump.height) * 1000,
            (impulse.value - jump.height) * 1000,
        ))  # fmt: skip
    bias, spread = np.mean(errors, axis=0), np.std(errors, axis=0)
    assert abs(bias[0]) < 0.5
    assert abs(bias[1]) < 0.6
    assert abs(bias[2]) < 1.2  # mm
    assert abs(bias[3]) < 1.2
    assert (spread < (0.4, 0.5, 0.8, 1.0)).all()


@pytest.mark.parametrize("rate", [500, 1000, 2000])
@pytest.mark.parametrize("height", [0.2, 0.3])
def test_drop_jump(rate, height):
    contact = 1.2003
    drop = SpringMass(12000.0, 0.0, np.sqrt(2 * G * height))
    force = drop_jump_force(rate, contact, drop, Jump())
    _, takeoff, second = drop_jump_times(contact, drop)
    force, phases = _events(force + 3.0, rate)
    events = drop_vertical_jump(phases, rate, TASK)
    assert events.flags == ()
    first, last = events.landings
    assert (first.number, last.number) == (1, 2)
    assert first.flight.takeoff is None  # the recording began with the athlete on the box
    assert first.contact.seconds(rate) == pytest.approx(contact, abs=1e-3)
    assert first.takeoff.seconds(rate) == pytest.approx(takeoff, abs=1e-3)
    assert last.flight.takeoff == first.takeoff
    assert last.contact.seconds(rate) == pytest.approx(second, abs=1.0 / rate)
    contact_time = time_between(first.contact.position, first.takeoff.position, rate)
    assert contact_time.value == pytest.approx(takeoff - contact, abs=2e-3)
    flight_time = time_between(last.flight.takeoff.position, last.contact.position, rate)
    # the spring returns the drop height
    assert jump_height_from_flight_time(flight_time).value == pytest.approx(height, abs=0.003)
    back = jump_height_from_final_stance(
        force, rate, takeoff=first.takeoff.position, contact=last.contact.position,
        stance_position=len(force) - 1.0 - 0.5 * rate, body_weight_n=WEIGHT,
    )  # fmt: skip
    assert back.value == pytest.approx(height, rel=0.02)


def test_a_body_weight_that_is_too_high_is_refused():
    jump, rate = Jump(push_acceleration=4.0), 1000.0
    force = jump.force(rate)
    result = jump_height_from_impulse(
        force, rate, onset=1500.0, takeoff=jump.takeoff * rate, body_weight_n=1.3 * WEIGHT
    )
    assert result.reason is Reason.OUT_OF_RANGE
    assert "body weight or onset is wrong" in result.detail


def test_body_weight_error_in_jump_height():
    # DOMAIN 2.1: 0.5 % of body weight over 0.8 s are 0.039 m/s, +9.9 mm on a 306 mm jump
    speed, change = 2.45166, 0.005 * G * 0.8
    assert change == pytest.approx(0.039, abs=5e-4)
    rise = ((speed + change) ** 2 - speed**2) / (2 * G)
    assert rise == pytest.approx(9.9e-3, abs=5e-5)
    rate, jump = 1000.0, Jump()
    force = jump.force(rate)
    takeoff = jump.takeoff * rate
    onset = takeoff - 0.8 * rate
    good, light = (
        jump_height_from_impulse(
            force, rate, onset=onset, takeoff=takeoff, body_weight_n=share * WEIGHT
        ).value
        for share in (1.0, 1.0 / 1.005)
    )
    # a body weight that is 0.5 % low lifts gross impulse over mass, too: (J/m - g t)
    gross = (jump.takeoff_speed + G * 0.8) * 1.005 - G * 0.8
    assert light - good == pytest.approx((gross**2 - jump.takeoff_speed**2) / (2 * G), rel=2e-2)


@pytest.mark.parametrize("rate", [500, 1000, 2000])
def test_reactive_strength_of_a_drop_jump(rate):
    # an undamped spring returns the drop height of 0.3 m: RSI = h / t_c, closed form
    contact, drop = 1.2003, SpringMass(12000.0, 0.0, np.sqrt(2 * G * 0.3))
    _, phases = _events(drop_jump_force(rate, contact, drop, Jump()), rate)
    first, last = drop_vertical_jump(phases, rate, TASK).landings
    _, takeoff, _ = drop_jump_times(contact, drop)
    height = jump_height_from_flight_time(
        time_between(first.takeoff.position, last.contact.position, rate)
    )
    contact_time = time_between(first.contact.position, first.takeoff.position, rate)
    index = height_over_time(height, contact_time)
    assert index.value == pytest.approx(0.3 / (takeoff - contact), rel=0.02)
    assert index.value == pytest.approx(height.value / contact_time.value, rel=1e-12)
    assert index.first_sample == contact_time.first_sample
    assert index.last_sample == height.last_sample
    # the variant by flight time is another number: t_f / t_c
    variant = (last.contact.position - first.takeoff.position) / (
        first.takeoff.position - first.contact.position
    )
    assert abs(index.value / variant - 1.0) > 0.3


def test_a_missing_part_of_a_quotient_is_passed_on():
    nothing = Refused(Reason.NO_FLIGHT, "no jump follows the contact")
    assert height_over_time(nothing, Measured(0.3, 1, 2)) is nothing
    assert height_over_time(Measured(0.3, 1, 2), nothing) is nothing
