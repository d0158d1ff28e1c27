"""What must be equal in a landing: on closed forms through the whole extraction, and on open data.

Closed forms: momentum and energy of a mass on a spring. Open data: `course_jumps_MIT`, J. L. Lopez
Elvira, BiomecanicaPython (MIT).
"""

import math

import numpy as np
import pandas as pd
import pytest

from pipeline.extraction.harmonised import harmonised
from pipeline.extraction.observe import observe
from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import Trial
from pipeline.quality.identities import fall_flags, fall_time_share, impulse_flags
from shared.settings.load import load_settings
from shared.sources import ROOT
from tests.known_answers.signals import (
    WEIGHT,
    G,
    Jump,
    SpringMass,
    drop_jump_force,
    sample_times,
)

PROCESSING = load_settings(ROOT / "config").processing
COURSE = ROOT.parent / "shared" / "data" / "course_jumps_MIT"
HEIGHT = 0.30
SPEED = math.sqrt(2.0 * G * HEIGHT)


def _body(force, rate, task, side, box=HEIGHT, weight=WEIGHT):
    plate = Signals("trial.plate", "plate", 0.0, rate, {"vertical_force.single": force})
    trial = Trial("A0001", "harbour", "clearance", task, side, 1, box, (plate,))
    return observe(trial, weight, PROCESSING).body


def _drop(rate, speed=SPEED, damping=0.8):
    """A drop landing that comes to rest: the impulse until then is that of the fall."""
    force = SpringMass(14000.0, damping, speed).force(sample_times(rate, 6.0) - 2.0)
    return force + 7.0  # offset of the empty plate


# DOMAIN 9.1: fall time 0.247352 s from 0.30 m
def test_share_of_the_fall_time():
    assert fall_time_share(SPEED, HEIGHT) == pytest.approx(1.0, abs=1e-12)
    assert fall_time_share(0.9 * SPEED, HEIGHT) == pytest.approx(0.9, abs=1e-12)
    assert pytest.approx(0.247352, abs=5e-7) == SPEED / G
    limits = PROCESSING.quality
    assert not fall_flags(1.0, limits)
    assert not fall_flags(0.80, limits)
    assert fall_flags(0.70, limits) == {"bad_fall_time"}
    assert fall_flags(1.2, limits) == {"bad_fall_time"}
    assert not impulse_flags(-0.2, limits)
    assert impulse_flags(-0.4, limits) == impulse_flags(0.4, limits) == {"impulse_mismatch"}


@pytest.mark.parametrize(("rate", "tolerance"), [(500, 0.02), (1000, 0.01), (2000, 0.005)])
def test_drop_landing_from_its_final_stance(rate, tolerance):
    # the damper begins with a step of 3.5 BW, of which up to half a sample is lost: 0.02 m/s
    body = _body(_drop(rate), rate, "single_leg_drop_landing", "left")
    assert body.impacts[1].chosen == "final_stance"
    assert body.impacts[1].speeds["final_stance"] == pytest.approx(SPEED, rel=tolerance)
    assert body.impacts[1].fall_time_share == pytest.approx(1.0, rel=tolerance)
    assert not body.landings[1].flags
    wrong_box = _body(_drop(rate), rate, "single_leg_drop_landing", "left", box=0.60)
    assert body.impacts[1].descent.lowest == wrong_box.impacts[1].descent.lowest
    assert wrong_box.landings[1].flags == {"bad_fall_time"}
    no_box = _body(_drop(rate), rate, "single_leg_drop_landing", "left", box=None)
    assert no_box.impacts[1].fall_time_share is None


@pytest.mark.parametrize(
    ("box", "flags"), [(HEIGHT, set()), (0.18, {"bad_fall_time"}), (0.60, {"bad_fall_time"})]
)
def test_a_fall_that_only_the_waist_unit_felt_is_held_against_the_box(box, flags):
    # 0.247352 s without weight (DOMAIN 9.1), 1 g before, a half-sine of 6 g, 1 g after
    rate, fall_s = 200.0, SPEED / G
    time = sample_times(rate, 4.0)
    felt = np.where((time < 1.0) | (time >= 1.0 + fall_s + 0.06), 1.0, 0.0)
    felt += 6.0 * np.sin(np.pi * np.clip((time - 1.0 - fall_s) / 0.06, 0.0, 1.0))
    axes = {f"waist_acceleration.{axis}": np.zeros(len(time)) for axis in "xz"}
    unit = Signals("trial.unit", "unit", 0.0, rate, axes | {"waist_acceleration.y": G * felt})
    task = "single_leg_drop_landing"
    trial = Trial("A0001", "ridge", "clearance", task, "left", 1, box, (unit,))
    landing = observe(trial, WEIGHT, PROCESSING).chosen[1, "left"]
    assert landing.event_source == "waist"
    assert landing.flags == flags


@pytest.mark.parametrize("shift", [0.0, 0.3, 0.7])
def test_a_sudden_contact_stays_where_it_is_at_the_common_rate(shift):
    # DOMAIN 9.4: a damper lets the force begin with a jump of 1.4 BW, before which an anti-aliasing
    # filter rings: the contact would come 5 ms early
    rate, damper = 1000.0, SpringMass(14000.0, 0.2, SPEED)
    force = damper.force(sample_times(rate, 6.0) - 2.0 - shift / rate) + 7.0
    recorded = Signals("trial.plate", "plate", 0.0, rate, {"vertical_force.single": force})
    (slower,) = harmonised(recorded, {"plate": 500.0})
    trial = Trial("A0001", "harbour", "clearance", "drop_vertical_jump", "both", 1, None, (slower,))
    landing = observe(trial, WEIGHT, PROCESSING).body.landings[1]
    assert landing.signals.rate_hz == 500.0
    assert landing.seconds(landing.contact) == pytest.approx(2.0 + shift / rate, abs=1e-3)


@pytest.mark.parametrize("task", ["single_leg_drop_landing_soft", "single_leg_drop_landing_stiff"])
def test_instructed_landings_are_the_same_movement(task):
    plain = _body(_drop(1000.0), 1000.0, "single_leg_drop_landing", "left")
    instructed = _body(_drop(1000.0), 1000.0, task, "left")
    assert instructed.impacts[1].speeds == plain.impacts[1].speeds
    assert instructed.landings[1].contact == plain.landings[1].contact


@pytest.mark.parametrize("rate", [500, 1000, 2000])
def test_countermovement_jump_by_flight_and_by_impulse(rate):
    jump = Jump(end=8.0)
    impact = _body(jump.force(rate), rate, "countermovement_jump", "both", None).impacts[1]
    assert impact.chosen == "flight_time"
    assert impact.speeds["flight_time"] == pytest.approx(jump.takeoff_speed, abs=0.5 * G / rate)
    assert impact.speeds["final_stance"] == pytest.approx(jump.takeoff_speed, abs=25.0 / rate)
    assert impact.mismatch_m_s == pytest.approx(0.0, abs=30.0 / rate)
    # a gain of 3 % of the plate cancels: force and weight come from the same recording
    gain = _body(1.03 * jump.force(rate), rate, "countermovement_jump", "both", None).impacts[1]
    assert gain.mismatch_m_s == pytest.approx(impact.mismatch_m_s, abs=2e-3)


def test_drop_jump_from_the_jump_that_follows():
    rate, drop = 1000.0, SpringMass(12000.0, 0.0, SPEED)
    body = _body(drop_jump_force(rate, 1.2, drop, Jump()), rate, "drop_vertical_jump", "both")
    assert body.impacts[1].chosen == "following_jump"
    # 20 N come 0.7 ms after the touch, g * 0.7 ms = 0.007 m/s; up to 1 ms of flight time more
    assert body.impacts[1].speeds["following_jump"] == pytest.approx(SPEED, abs=0.013)
    assert body.impacts[1].fall_time_share == pytest.approx(1.0, abs=0.006)
    assert body.impacts[2].chosen == "flight_time"
    assert body.impacts[2].speeds["flight_time"] == pytest.approx(SPEED, rel=2e-3)
    assert abs(body.impacts[2].mismatch_m_s) < 0.03
    # DOMAIN 9.3: the way down on this spring, less 1.7 mm before the force reaches 20 N
    ratio = SPEED * drop.omega / G
    depth = G / drop.omega**2 * (1.0 + math.sqrt(1.0 + ratio**2))
    assert body.impacts[1].descent.depth_m[-1] == pytest.approx(depth, rel=5e-3)


def test_a_wrong_flight_is_told():
    # landing on a step 0.15 m above the take-off: the flight is too short for the impulse
    jump, rate = Jump(end=8.0), 1000.0
    force = jump.force(rate)
    speed = math.sqrt(jump.takeoff_speed**2 - 2.0 * G * 0.15)
    early = jump.takeoff + (jump.takeoff_speed + speed) / G
    time = sample_times(rate, jump.end)
    landed = SpringMass(9000.0, 0.8, speed).force(time - early)
    force = np.where(time < jump.takeoff, force, np.where(time < early, 0.0, landed))
    body = _body(force, rate, "countermovement_jump", "both", None)
    by_flight = 0.5 * (jump.takeoff_speed + speed)
    assert body.impacts[1].mismatch_m_s == pytest.approx(speed - by_flight, abs=0.03)
    assert body.landings[1].flags == {"impulse_mismatch"}


@pytest.fixture(scope="module")
def course():
    if not COURSE.is_dir():
        pytest.skip("the open recordings are not in the folder `shared` next to the project")
    table = pd.read_parquet(COURSE / "jumps_raw.parquet")
    return {
        name: part["fz_N"].to_numpy(float) for name, part in table.groupby("trial", observed=True)
    }


def _real(course, name):
    task = "drop_vertical_jump" if name == "DJ1" else "countermovement_jump"
    force = course[name]
    weight = 831.58 if name == "DJ1" else float(np.median(force[:1000]))
    body = _body(force, 1000.0, task, "both", None, weight)
    return body, body.landings[max(body.landings)].number


def test_impulse_against_flight_time_on_real_jumps(course):
    # S01_CMJAB1 and 3 step off the plate after landing; CMJ6_faulty_export has no weight
    names = sorted(set(course) - {"S01_CMJAB1", "S01_CMJAB3", "CMJ6_faulty_export"})
    mismatch = []
    for name in names:
        body, last = _real(course, name)
        mismatch.append(body.impacts[last].mismatch_m_s)
        assert "impulse_mismatch" not in body.landings[last].flags, name
    assert len(mismatch) == 15
    # independent samples: 2 to 3 m/s agree within 0.1 m/s; the weight of the stance before the
    # jump instead of the final one would give a standard deviation of 0.065 m/s
    assert max(map(abs, mismatch)) < 0.1
    assert np.mean(mismatch) == pytest.approx(-0.015, abs=0.02)
    assert np.std(mismatch) == pytest.approx(0.041, abs=0.01)


def test_first_landing_of_the_real_drop_jump(course):
    body, _ = _real(course, "DJ1")
    first, second = body.impacts[1], body.impacts[2]
    # Nothing is published about this landing. Two code paths with samples of their own: landing 1
    # by the jump that follows, and by the whole recording until the final stance
    by_jump = first.speeds["following_jump"]
    force, rest = course["DJ1"], body.rest
    offset = force[500:2500].mean()
    contact, end = body.landings[1].contact, int(rest.position)
    gross = np.trapezoid(force[math.ceil(contact) : end + 1] - offset) / 1000.0
    duration = (end - math.ceil(contact)) / 1000.0
    whole = G * (gross / rest.weight_n - duration)
    assert whole == pytest.approx(by_jump, abs=0.12)
    assert 2.0 < by_jump < 3.2  # a fall over 0.2 to 0.5 m; the box of the source is not stated
    assert second.speeds["flight_time"] == pytest.approx(2.452, abs=2e-3)
    # rest comes before the take-off, and the push-off needs the same way up
    assert body.landings[1].contact < first.descent.lowest < body.found[1].landing.takeoff.position
    assert 0.1 < first.descent.depth_m[-1] < 0.5
