"""Events under what happens in a laboratory: offset, two plates, second hops, steps, misses."""

import numpy as np
import pytest

from pipeline.calibration.body_weight import quiet_stance, weight_supported
from pipeline.events.onset import movement_onset
from pipeline.events.plate import contact_threshold, empty_plate, limb_phase, plate_flights
from pipeline.events.tasks import (
    box_jump,
    countermovement_jump,
    cut,
    drop_vertical_jump,
    single_leg_drop_landing,
)
from pipeline.reasons import Reason
from tests.known_answers.rules import EMPTY, FLIGHT, LIMB, ONSET, STANCE, TASK, THRESHOLD
from tests.known_answers.signals import (
    WEIGHT,
    Jump,
    SpringMass,
    drop_jump_force,
    half_sine,
    sample_times,
)

RATE = 1000.0


def _phases(*forces, rate=RATE):
    stack, levels = [], []
    for force in forces:
        plate = empty_plate(force, rate, **EMPTY)
        stack.append(force - plate.offset_n)
        levels.append(contact_threshold(plate.noise_n, **THRESHOLD))
    return plate_flights(np.array(stack), levels, rate, **FLIGHT)


def _landing(contact=1.5, duration=5.0, impact=2.2):
    return SpringMass(14000.0, 0.7, impact).force(sample_times(RATE, duration) - contact)


def test_single_leg_landing_and_hold():
    events = single_leg_drop_landing(_phases(_landing()), RATE, TASK)
    assert events.flags == ()
    assert events.landings[0].contact.seconds(RATE) == pytest.approx(1.5, abs=1e-3)


@pytest.mark.parametrize("noise", [0.0, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("offset", [-20.0, 0.0, 30.0])
def test_offset_and_noise_of_the_empty_plate(noise, offset):
    rng = np.random.default_rng(5)
    force = _landing() + offset + rng.normal(0.0, noise, 5001)
    plate = empty_plate(force, RATE, **EMPTY)
    assert plate.offset_n == pytest.approx(offset, abs=4 * noise / np.sqrt(700) + 1e-9)
    assert plate.noise_n == pytest.approx(noise, rel=0.1)
    assert plate.window.last_sample < 1500
    contact = single_leg_drop_landing(_phases(force), RATE, TASK).landings[0].contact
    assert contact.seconds(RATE) == pytest.approx(1.5, abs=1e-3)


def test_a_noisy_plate_raises_the_threshold():
    assert contact_threshold(2.0, **THRESHOLD) == 20.0
    assert contact_threshold(9.0, **THRESHOLD) == 45.0


def test_a_plate_that_is_never_empty_is_told():
    assert empty_plate(np.full(5000, WEIGHT), RATE, **EMPTY) is None
    assert empty_plate(np.zeros(50), RATE, **EMPTY) is None


def test_second_hop_is_flagged_and_a_step_off_is_not():
    time = sample_times(RATE, 5.0)
    hop = _landing()
    hop[(time > 2.0) & (time < 2.1)] = 0.0
    events = single_leg_drop_landing(_phases(hop), RATE, TASK)
    assert events.flags == (Reason.SECOND_HOP,)
    assert events.landings[0].contact.seconds(RATE) == pytest.approx(1.5, abs=1e-3)
    step_off = np.where(time > 4.0, 0.0, _landing())
    assert single_leg_drop_landing(_phases(step_off), RATE, TASK).flags == ()
    hop_beside = np.where(time > 2.5, 0.0, _landing())  # left after 1 s and did not come back
    assert single_leg_drop_landing(_phases(hop_beside), RATE, TASK).flags == (Reason.SECOND_HOP,)
    too_short = _landing()
    too_short[(time > 2.0) & (time < 2.04)] = 0.0
    assert single_leg_drop_landing(_phases(too_short), RATE, TASK).flags == ()


def test_brushing_the_plate_is_not_the_landing():
    time = sample_times(RATE, 5.0)
    brushed = _landing() + half_sine(time - 0.6, 300.0, 0.080)  # a foot steps off the plate
    contact = single_leg_drop_landing(_phases(brushed), RATE, TASK).landings[0].contact
    assert contact.seconds(RATE) == pytest.approx(1.5, abs=1e-3)
    ringing = _landing() + half_sine(time - 1.46, 60.0, 0.006)  # 6 ms, shorter than a contact
    contact = single_leg_drop_landing(_phases(ringing), RATE, TASK).landings[0].contact
    assert contact.seconds(RATE) == pytest.approx(1.5, abs=1e-3)


def test_a_plate_that_rings_at_the_impact():
    # CMJ5 of the open recordings: 31.6, 131, -2, 115, 137, 13, 146 N ... at 1000 Hz
    force = np.zeros(4000)
    force[2000:] = 800.0
    force[2000:2007] = (31.6, 131.3, -2.2, 114.8, 136.9, 13.4, 146.0)
    phase = plate_flights(force, [20.0], RATE, **FLIGHT)[0]
    assert phase.contact.sample == 2000
    assert phase.contact.position == pytest.approx(1999 + 20.0 / 31.6)


def test_missed_plate_and_no_flight():
    assert single_leg_drop_landing(_phases(np.zeros(5000)), RATE, TASK).flags == (
        Reason.NO_LANDING,
    )
    standing = plate_flights(np.full((1, 5000), WEIGHT), [20.0], RATE, **FLIGHT)
    for task in (single_leg_drop_landing, drop_vertical_jump, countermovement_jump):
        events = task(standing, RATE, TASK)
        assert events.landings == ()
        assert events.flags == (Reason.NO_FLIGHT,)


def test_drop_jump_without_a_jump_keeps_its_first_landing():
    events = drop_vertical_jump(_phases(_landing()), RATE, TASK)
    assert [landing.number for landing in events.landings] == [1]
    assert events.flags == (Reason.NO_FLIGHT,)
    time = sample_times(RATE, 5.0)
    beside = np.where(time > 1.9, 0.0, _landing())  # jumped, landed beside the plate
    events = drop_vertical_jump(_phases(beside), RATE, TASK)
    assert events.flags == (Reason.NO_LANDING,)
    assert events.landings[0].takeoff.seconds(RATE) == pytest.approx(1.9, abs=1.1e-3)


def test_jump_that_lands_beside_the_plate():
    force = Jump().force(RATE)
    force[round(Jump().contact * RATE) - 5 :] = 0.0
    assert countermovement_jump(_phases(force), RATE, TASK).flags == (Reason.NO_LANDING,)


def test_two_plates_whole_body_and_limbs():
    # left lands 12 ms before right; both leave together
    whole = drop_jump_force(RATE, 1.2, SpringMass(12000.0, 0.0, 2.2), Jump())
    left = 0.55 * whole
    right = np.concatenate([np.zeros(12), 0.45 * whole[:-12]])
    left_phases, right_phases, both = _phases(left), _phases(right), _phases(left, right)
    events = drop_vertical_jump(both, RATE, TASK)
    assert events.flags == ()
    for number, landing in enumerate(events.landings):
        left_contact = limb_phase(left_phases, landing.flight, RATE, **LIMB).contact
        right_contact = limb_phase(right_phases, landing.flight, RATE, **LIMB).contact
        assert landing.contact == left_contact, number
        lag_ms = (right_contact.position - left_contact.position) / RATE * 1000
        assert lag_ms == pytest.approx(12.0, abs=0.4)
    # the body has left the ground when the last foot has
    assert events.landings[0].takeoff == right_phases[1].takeoff


def test_a_limb_that_missed_its_plate():
    whole = drop_jump_force(RATE, 1.2, SpringMass(12000.0, 0.0, 2.2), Jump())
    events = drop_vertical_jump(_phases(whole, np.zeros_like(whole)), RATE, TASK)
    empty = _phases(np.zeros_like(whole))
    assert limb_phase(empty, events.landings[0].flight, RATE, **LIMB) is None


def test_a_foot_beside_the_plate_shows_in_the_final_stance():
    force = _landing() * np.where(sample_times(RATE, 5.0) > 1.5, 0.8, 1.0)
    stance = quiet_stance(force, RATE, **STANCE, first_sample=2000)
    assert weight_supported(force, stance, WEIGHT) == pytest.approx(0.8, abs=1e-3)


def test_no_quiet_stance_before_a_jump_that_was_cut():
    force = Jump().force(RATE)[2200:]
    flight = countermovement_jump(_phases(force), RATE, TASK).landings[0].flight
    assert quiet_stance(force, RATE, **STANCE, end_sample=flight.takeoff.sample) is None


def test_standing_still_has_no_onset():
    rng = np.random.default_rng(2)
    force = WEIGHT + rng.normal(0.0, 2.0, 6000)
    stance = quiet_stance(force, RATE, **STANCE)
    assert movement_onset(force, RATE, stance=stance, end_sample=6000, **ONSET) is None


def _jump_onto_a_box(box_on_plate=False, step_down=False):
    """A jump whose landing comes 150 ms early, on a box 0.3 m high or so, held until the end."""
    jump = Jump()
    force = jump.force(RATE)
    landing = round((jump.contact - 0.15) * RATE)
    force[round(jump.takeoff * RATE) :] = 0.0
    if box_on_plate:
        impact = SpringMass(14000.0, 0.7, 1.0).force(sample_times(RATE, jump.end))
        force[landing:] = impact[: len(force) - landing]
    if step_down:
        force[-1000:] = WEIGHT
    return force, jump.takeoff, landing / RATE


@pytest.mark.parametrize("step_down", [False, True])
def test_box_jump_whose_landing_the_plate_does_not_see(step_down):
    force, takeoff, _ = _jump_onto_a_box(step_down=step_down)
    events = box_jump(_phases(force), RATE, TASK)
    assert events.flags == ()
    (landing,) = events.landings
    assert landing.contact is None
    assert landing.flight.takeoff.seconds(RATE) == pytest.approx(takeoff, abs=1e-3)


def test_box_jump_with_the_box_on_the_plate():
    force, takeoff, contact = _jump_onto_a_box(box_on_plate=True)
    (landing,) = box_jump(_phases(force), RATE, TASK).landings
    assert landing.contact.seconds(RATE) == pytest.approx(contact, abs=1.1e-3)
    assert landing.flight.takeoff.seconds(RATE) == pytest.approx(takeoff, abs=1e-3)


def test_box_jump_without_a_jump():
    standing = plate_flights(np.full((1, 5000), WEIGHT), [20.0], RATE, **FLIGHT)
    assert box_jump(standing, RATE, TASK).flags == (Reason.NO_FLIGHT,)
    stepped = np.full(5000, WEIGHT)
    stepped[:1000] = 0.0  # onto the plate, and nothing more
    assert box_jump(_phases(stepped), RATE, TASK).flags == (Reason.NO_FLIGHT,)


def test_cut():
    # one contact of a half-sine, 240 ms, nothing before and after
    time = sample_times(RATE, 3.0)
    force = half_sine(time - 1.0003, 2.5 * WEIGHT, 0.240)
    events = cut(_phases(force), RATE, TASK)
    assert events.flags == ()
    (landing,) = events.landings
    assert landing.contact.seconds(RATE) == pytest.approx(1.0003, abs=1.5e-3)
    # 20 N of a half-sine of 1716 N come 0.9 ms before its end
    delay = 0.240 / np.pi * np.arcsin(20.0 / (2.5 * WEIGHT))
    assert landing.takeoff.seconds(RATE) == pytest.approx(1.2403 - delay, abs=1e-3)
    assert landing.flight.takeoff is None


def test_what_is_not_a_cut():
    assert cut(_phases(_landing()), RATE, TASK).flags == (Reason.NO_FLIGHT,)  # stays on the plate
    assert cut(_phases(np.zeros(3000)), RATE, TASK).flags == (Reason.NO_LANDING,)
    step = half_sine(sample_times(RATE, 3.0) - 1.0, 600.0, 0.4)  # walks over the plate
    assert cut(_phases(step), RATE, TASK).flags == (Reason.NO_LANDING,)


@pytest.mark.parametrize("rate", [100, 200, 500, 1000, 2000])
def test_a_cut_at_every_rate(rate):
    force = half_sine(sample_times(rate, 3.0) - 1.0003, 2.5 * WEIGHT, 0.240)
    (landing,) = cut(_phases(force, rate=rate), rate, TASK).landings
    assert landing.contact.seconds(rate) == pytest.approx(1.0012, abs=max(1e-3, 1.0 / rate))
    assert landing.takeoff.seconds(rate) == pytest.approx(1.2394, abs=max(1e-3, 1.0 / rate))
