"""The bias of the gyroscopes between two quiet stances, on knees in closed form with known drift.

The knee is that of `closed_movement` (75 degrees in 0.35 s, at 200 samples per second); the athlete
stands still for nearly 3 s before it and from 1.8 s after contact on.
"""

import math

import numpy as np
import pytest

from pipeline.extraction.knee import Knee, angle_around
from pipeline.extraction.knee_values import gyro_values
from pipeline.extraction.signals import Signals
from pipeline.metrics.outcome import Refused
from pipeline.reasons import Reason
from shared.settings.load import load_settings
from shared.sources import ROOT
from tests.known_answers.closed_movement import Movement

RATE = 200.0
PROCESSING = load_settings(ROOT / "config").processing


def with_settings(section, **changes):
    part = getattr(PROCESSING, section).model_copy(update=changes)
    return PROCESSING.model_copy(update={section: part})


NO_PLATE = Refused(Reason.NO_PLATE_EVENTS, "no plate in this trial")
BEFORE = with_settings("filtering", gyro_bias="before_landing")
BETWEEN = with_settings("filtering", gyro_bias="between_stances")


def landing(bias_deg_s=0.0, delay_s=0.0, sway_deg_s=None):
    """A knee whose thigh is biased (function of time, or constant), and its movement."""
    movement = Movement("single_leg_drop_landing", shift_s=delay_s)
    time = np.arange(round((movement.duration_s + delay_s) * RATE)) / RATE
    rate = movement.knee_rate("left", time)
    thigh = 0.6 * rate + (bias_deg_s(time) if callable(bias_deg_s) else bias_deg_s)
    if sway_deg_s is not None:
        thigh = thigh + sway_deg_s(time, movement.contacts[0].time_s)
    thigh, shank = np.radians(thigh), np.radians(-0.4 * rate)
    channels = {"thigh_rate.left.z": thigh, "shank_rate.left.z": shank}
    signals = Signals("trial", "wearables", 0.0, RATE, channels)
    return Knee(signals, "left", thigh, shank, thigh - shank), movement


def measured(knee, movement, settings):
    """Errors of flexion at contact and at its peak, in degrees; the flags; the stance."""
    contact = movement.contacts[0].time_s
    last = math.ceil((contact + settings.windows.knee_flexion_s) * RATE) + 1
    found = angle_around(knee, contact * RATE, last, settings)
    time = (found.offset + np.arange(len(found.angle))) / RATE
    true, angle = movement.knee("left", time), np.degrees(found.angle)
    after = time >= contact
    at_contact = np.interp(contact, time, angle - true)
    return at_contact, angle[after].max() - true[after].max(), found.flags, found.stance


def test_a_linear_drift_is_taken_out_between_the_stances_and_not_by_the_first_alone():
    """Closed form: of a growth of b per s, b t² / 2 is left, t from the middle of the stance."""
    knee, movement = landing(lambda time: 0.5 + 0.5 * time)
    clean = measured(*landing(), BETWEEN)[0]
    at_contact, peak, flags, _ = measured(knee, movement, BETWEEN)
    assert at_contact == pytest.approx(clean, abs=0.01)
    assert abs(peak) < 0.05
    assert not flags
    at_contact, peak, _, stance = measured(knee, movement, BEFORE)
    middle = 0.5 * (stance.first_sample + stance.last_sample) / RATE
    lasts = movement.contacts[0].time_s - middle
    assert lasts > 0.7
    assert at_contact - clean == pytest.approx(0.5 * lasts**2 / 2.0, abs=0.01)
    assert peak > at_contact


@pytest.mark.parametrize(("walk_deg_s", "noise_deg_s"), [(0.05, 0.1), (0.15, 0.1), (0.0, 1.0)])
def test_neither_a_random_walk_nor_noise_is_made_worse(walk_deg_s, noise_deg_s):
    rng = np.random.default_rng(5)
    errors = {"before": [], "between": []}
    for _ in range(100):
        size = round(8.0 * RATE)
        walk = np.cumsum(rng.normal(0.0, walk_deg_s / math.sqrt(RATE), size))
        noise = rng.normal(0.0, noise_deg_s, size)
        knee, movement = landing(lambda time, drift=walk + noise: 0.5 + drift[: time.size])
        errors["before"].append(measured(knee, movement, BEFORE)[:2])
        errors["between"].append(measured(knee, movement, BETWEEN)[:2])
    size = {rung: np.sqrt(np.mean(np.square(found), axis=0)) for rung, found in errors.items()}
    assert (size["between"] < size["before"]).all()


def restless(time, until):
    return np.where(time < until, 0.0, 8.0 * np.sin(2.0 * np.pi * 1.5 * time))


def test_without_rest_after_the_landing_the_stance_before_it_stands_and_the_flag_says_so():
    knee, movement = landing(0.5, sway_deg_s=lambda time, contact: restless(time, contact + 1.0))
    between, before = (measured(knee, movement, rung) for rung in (BETWEEN, BEFORE))
    assert between == before
    assert between[2] == {"gyro_bias_from_start"}


def between_times(first_s, last_s):
    """Restless from so long before contact until so long before it."""

    def sway(time, contact):
        inside = (time > contact - first_s) & (time < contact - last_s)
        return np.where(inside, 8.0 * np.sin(2.0 * np.pi * 1.5 * time), 0.0)

    return sway


@pytest.mark.parametrize(("restless_s", "flags"), [(2.5, set()), (6.0, {"long_integration"})])
def test_an_angle_that_counts_from_too_long_ago_says_so(restless_s, flags):
    """DOMAIN 3.7, rung 3: integrate for 5 s at most; the last quiet stance is looked for."""
    sway = between_times(restless_s, 0.1)
    knee, movement = landing(0.5, delay_s=6.0, sway_deg_s=sway)
    at_contact, _, found, _ = measured(knee, movement, BETWEEN)
    assert found == flags
    # what is left of the sway: 8 sin(2 pi 1.5 t) is 0.85 degrees on either side
    assert abs(at_contact) < 1.8


def test_never_quiet_is_not_long_ago_but_nowhere():
    knee, movement = landing(0.5, sway_deg_s=between_times(10.0, 0.1))
    assert measured(knee, movement, BETWEEN)[2] == {"no_quiet_stance"}


def test_a_bias_that_jumps_far_is_still_told_as_drift():
    """Taking out a straight line does not vouch for a bias that went up 10 degrees per s."""
    knee, movement = landing(lambda time: np.where(time < 4.9, 0.0, 60.0))
    assert "drift_gt_5deg" in measured(knee, movement, BETWEEN)[2]


def test_the_limit_of_integration_is_a_setting():
    knee, movement = landing(0.5)
    short = with_settings("windows", longest_integration_s=0.3)
    assert "long_integration" in measured(knee, movement, short)[2]


def test_a_stance_too_long_ago_spoils_the_angles_and_not_their_differences():
    knee, movement = landing(0.5, delay_s=6.0, sway_deg_s=between_times(6.0, 0.1))
    contact = movement.contacts[0].time_s * RATE
    _, flags = gyro_values(knee, contact, None, NO_PLATE, BETWEEN)
    spoilt = {metric for metric, found in flags.items() if "long_integration" in found}
    assert spoilt == {"knee_flexion_at_contact", "peak_knee_flexion", "knee_flexion_at_peak_vgrf"}
