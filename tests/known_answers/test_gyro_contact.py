"""Initial contact by gyroscopes, on legs in closed form that swing before they land.

Three ways in which a shank may meet the ground, all with the contact known:

- sudden: its angular acceleration jumps at contact (an impact of the heel);
- springy: its angular acceleration grows from contact on as the force of a spring does, whose
  lowest point comes 131 ms later (DOMAIN 9.3, 14 kN/m);
- blind: the knee bends smoothly from 100 ms before contact on (`closed_movement`): nothing in the
  rates tells the contact, and no rule can find it.

The bounds were set after looking, rounded outwards: they say how good the rule is.
"""

import numpy as np
import pytest

from pipeline.events.gyro import gyro_contact
from pipeline.filtering.butterworth import zero_lag_lowpass
from tests.known_answers.closed_movement import Movement

CONTACT = 3.0
RATES_HZ = (100.0, 200.0, 500.0, 1000.0, 2000.0)
SETTINGS = {"gyro_landing_share": 0.5, "gyro_landing_rate_deg_s": 100.0}
SHIFTS = np.arange(20) * 0.6180339887 % 1.0 * 0.010  # every part of a sample, at every rate


def bump(time, start, length, height):
    part = (time - start) / length
    return np.where((part > 0.0) & (part < 1.0), height * np.sin(np.pi * part) ** 2, 0.0)


def sudden(time):
    """Half a sine of 200 deg/s within 0.25 s from contact: it starts with its steepest slope."""
    after = np.clip(time / 0.25, 0.0, 1.0)
    return 200.0 * np.sin(np.pi * after)


def springy(time):
    """The same turn, with an acceleration that starts at zero: a spring pushes no sooner."""
    return bump(time, 0.0, 0.262, 200.0)


def leg(landing, rate_hz, shift_s, noise_deg_s, seed=0):
    """Rates of thigh and shank (rad/s): lifted to step off, stretched, landed, straightened."""
    time = np.arange(round(6.0 * rate_hz)) / rate_hz
    since = time - CONTACT - shift_s
    forward = landing(since) - bump(since, 0.6, 1.0, 60.0)
    thigh = 1.3 * landing(since) + bump(since, -0.30, 0.15, 400.0) - bump(since, -0.15, 0.13, 150.0)
    thigh -= bump(since, 0.6, 1.0, 80.0)
    forward -= bump(since, -0.30, 0.15, 60.0)
    noise = np.random.default_rng(seed).normal(0.0, noise_deg_s, (2, time.size))
    return np.radians(np.stack([thigh, -forward]) + noise)


def error_ms(segments, rate_hz, shift_s, **settings):
    smooth = zero_lag_lowpass(segments, rate_hz, cutoff_hz=20.0, order_per_pass=2)
    found = gyro_contact(*smooth, rate_hz, **(SETTINGS | settings))
    return 1000.0 * (found.position / rate_hz - CONTACT - shift_s)


def errors(landing, rate_hz, noise_deg_s):
    return np.array(
        [
            error_ms(leg(landing, rate_hz, shift, noise_deg_s, seed), rate_hz, shift)
            for seed, shift in enumerate(SHIFTS)
        ]
    )


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("noise", "bias", "spread"), [(0.0, 0.4, 0.5), (1.0, 0.4, 1.0)])
def test_a_sudden_turn_is_found_where_it_begins(rate_hz, noise, bias, spread):
    found = errors(sudden, rate_hz, noise)
    assert abs(found.mean()) < bias
    assert found.std() < spread


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("noise", "spread"), [(0.0, 0.3), (0.1, 0.6), (1.0, 5.0), (3.0, 9.0)])
def test_a_springy_turn_is_found_late_by_what_the_filter_needs_to_see_it(rate_hz, noise, spread):
    found = errors(springy, rate_hz, noise)
    assert 14.0 < found.mean() < 22.0
    assert found.std() < spread


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_without_a_trace_of_the_contact_the_start_of_the_bend_is_taken(rate_hz):
    for shift in SHIFTS:
        movement = Movement("single_leg_drop_landing", shift)
        rate = movement.knee_rate("left", np.arange(round(movement.duration_s * rate_hz)) / rate_hz)
        segments = np.radians(np.stack([0.6 * rate, -0.4 * rate]))
        assert error_ms(segments, rate_hz, shift) == pytest.approx(-100.0, abs=1.5)


def test_the_lift_off_the_box_is_no_landing_though_its_knee_bends_faster():
    segments = leg(sudden, 500.0, 0.0, 0.0)
    flexion = segments[0] - segments[1]
    at = np.arange(flexion.size) / 500.0 - CONTACT
    assert flexion[at < 0.0].max() > 0.7 * flexion[at > 0.0].max()
    assert abs(error_ms(segments, 500.0, 0.0)) < 1.0


@pytest.mark.parametrize("share", [0.3, 0.8])
def test_the_share_that_tells_a_landing_may_be_chosen_freely(share):
    segments = leg(springy, 500.0, 0.0, 0.0)
    other = error_ms(segments, 500.0, 0.0, gyro_landing_share=share)
    assert other == error_ms(segments, 500.0, 0.0)


def test_a_second_landing_is_not_taken_for_the_first():
    """A drop jump: landing 2, a second later, turns the shank by 80 % of landing 1."""
    first, second = leg(sudden, 500.0, 0.0, 0.0), leg(sudden, 500.0, 1.6, 0.0)
    assert abs(error_ms(first + 0.8 * second, 500.0, 0.0)) < 1.0


def test_standing_is_no_landing():
    rng = np.random.default_rng(3)
    segments = np.radians(rng.normal(0.0, 1.0, (2, 3000)))
    smooth = zero_lag_lowpass(segments, 500.0, cutoff_hz=20.0, order_per_pass=2)
    assert gyro_contact(*smooth, 500.0, **SETTINGS) is None
    assert gyro_contact(np.zeros(100), np.zeros(100), 500.0, **SETTINGS) is None
