"""Which plate metrics a trial gives: for which task, landing and limb, with which refusal."""

import numpy as np
import pytest

from pipeline.extraction.visit import measure_visit
from pipeline.metrics.outcome import Measured, Refused
from shared.metric_dictionary import metrics
from tests.known_answers.signals import (
    WEIGHT,
    G,
    Jump,
    SpringMass,
    drop_jump_force,
    half_sine,
    sample_times,
)
from tests.unit import extraction_signals as made
from tests.unit.extraction_signals import PROCESSING, SCALES, plates, trial

RATE = 1000.0
MASS_KG = WEIGHT / G
WHOLE_BODY = {
    metric.id
    for metric in metrics().values()
    if "plate" in metric.sensors and "each" not in metric.limbs["plate"]
}


def _newtons(force, shares):
    """Recording of plates that carry shares of a force in N."""
    return plates(shares, force / made.WEIGHT)


def _measure(task, side, *recordings, weight_n=WEIGHT, box=0.3):
    standing = made.calibrate([], weight_n / G, PROCESSING)
    measured = trial(task, side, *recordings)
    (result,) = measure_visit([measured], standing, SCALES, PROCESSING)
    return {(v.metric, v.side, v.number): v for v in result.values if v.sensor == "plate"}


def _drop():
    return SpringMass(14000.0, 0.8, np.sqrt(2 * G * 0.3)).force(sample_times(RATE, 6.0) - 2.0)


def _drop_jump():
    drop = SpringMass(12000.0, 0.0, np.sqrt(2 * G * 0.3))
    return drop_jump_force(RATE, 1.2, drop, Jump())


TRIALS = {
    "single_leg_drop_landing": ("left", _drop, {"left": 1.0, "right": 0.0}),
    "single_leg_drop_landing_soft": ("left", _drop, {"left": 1.0, "right": 0.0}),
    "single_leg_drop_landing_stiff": ("left", _drop, {"single": 1.0}),
    "drop_vertical_jump": ("both", _drop_jump, {"left": 0.45, "right": 0.55}),
    "countermovement_jump": ("both", Jump(end=8.0).force, {"left": 0.5, "right": 0.5}),
}


def _values(task):
    side, force, shares = TRIALS[task]
    signal = force(RATE) if task == "countermovement_jump" else force()
    return _measure(task, side, _newtons(signal, shares))


@pytest.mark.parametrize("task", TRIALS)
def test_every_metric_of_the_dictionary_is_wired(task):
    """A landing that was found has a value or a reason of its own for each metric."""
    values = _values(task)
    assert {name for name, _, _ in values} == {
        metric.id for metric in metrics().values() if metric.tasks.get(task) and
        "plate" in metric.sensors
    }  # fmt: skip
    for key, value in values.items():
        if isinstance(value.outcome, Refused):
            assert value.outcome.detail != "the landing was not found", key
        else:
            assert np.isfinite(value.outcome.value), key
            assert 0 <= value.outcome.first_sample <= value.outcome.last_sample, key


def test_nothing_of_the_centre_of_mass_belongs_to_a_limb():
    assert {"centre_of_mass_displacement", "negative_work", "vertical_stiffness"} <= WHOLE_BODY
    for name, side, _ in _values("drop_vertical_jump"):
        assert side == "both" or name not in WHOLE_BODY


def test_height_by_flight_time_exists_only_for_equal_heights():
    for task in ("box_jump", "cut", "single_leg_drop_landing"):
        assert not metrics()["jump_height_from_flight_time"].valid_for(task, 1, "plate")
    assert not metrics()["jump_height_from_flight_time"].valid_for("drop_vertical_jump", 1, "plate")
    assert metrics()["jump_height_from_flight_time"].valid_for("drop_vertical_jump", 2, "plate")


def test_what_does_not_fit_a_task_does_not_exist():
    drop_jump = _values("drop_vertical_jump")
    assert ("reactive_strength_index", "both", 1) in drop_jump
    assert ("reactive_strength_index", "both", 2) not in drop_jump
    assert ("time_to_stabilisation", "both", 1) not in drop_jump
    assert ("impact_speed_from_flight_time", "both", 1) not in drop_jump
    assert ("jump_height_from_impulse", "both", 2) not in drop_jump


def test_drop_jump_values():
    values = _values("drop_vertical_jump")
    found = {key: v.outcome.value for key, v in values.items() if isinstance(v.outcome, Measured)}
    speed = np.sqrt(2 * G * 0.3)
    assert found["impact_speed_from_following_jump", "both", 1] == pytest.approx(speed, rel=0.01)
    assert found["net_braking_impulse", "both", 1] == pytest.approx(
        found["impact_speed_from_following_jump", "both", 1], rel=1e-3
    )
    work, depth = (
        found[name, "both", 1] for name in ("negative_work", "centre_of_mass_displacement")
    )
    assert work == pytest.approx(0.5 * speed**2 + G * depth, rel=0.01)
    assert found["fall_time_share", "both", 1] == pytest.approx(100.0, abs=1.0)
    # 12 kN/m of the whole body; force and displacement of the undamped spring are a line
    assert found["vertical_stiffness", "both", 1] == pytest.approx(12.0, rel=0.01)
    assert found["jump_height_from_final_stance", "both", 2] == pytest.approx(0.3, rel=0.03)
    assert found["reactive_strength_index", "both", 1] == pytest.approx(
        found["jump_height_from_flight_time", "both", 2] / found["contact_time", "both", 1]
    )
    for number in (1, 2):
        shares = [found["landing_impulse_share", side, number] for side in ("left", "right")]
        assert shares == pytest.approx([45.0, 55.0], abs=0.3)
        whole = found["impulse_to_lowest_point", "both", number]
        parts = [found["impulse_to_lowest_point", side, number] for side in ("left", "right")]
        assert sum(parts) == pytest.approx(whole, rel=5e-3)


def test_lag_between_the_limbs_is_signed_by_limb():
    force = _drop_jump()
    late = np.concatenate([np.zeros(12), 0.45 * force[:-12]])
    both = plates({"left": 0.55, "right": 0.0}, force / made.WEIGHT)
    noise = np.random.default_rng(8).normal(3.0, 1.0, late.size)
    both.channels["vertical_force.right"] = late + noise
    values = _measure("drop_vertical_jump", "both", both)
    for number in (1, 2):
        left, right = (
            values["contact_lag_between_limbs", side, number].outcome.value
            for side in ("left", "right")
        )
        assert right == -left
        # 20 N are reached later on the limb that bears less, by some 0.2 ms
        assert right == pytest.approx(12.0, abs=0.8)


def test_a_limb_that_missed_its_plate_has_no_lag():
    values = _measure(
        "drop_vertical_jump", "both", _newtons(_drop_jump(), {"left": 1.0, "right": 0.0})
    )
    for side in ("left", "right"):
        outcome = values["contact_lag_between_limbs", side, 1].outcome
        assert isinstance(outcome, Refused)
        assert not isinstance(values["landing_impulse_share", side, 1].outcome, Measured)


def test_without_its_jump_landing_1_has_no_way_down():
    drop = SpringMass(14000.0, 0.8, 2.4).force(sample_times(RATE, 6.0) - 2.0)
    values = _measure("drop_vertical_jump", "both", _newtons(drop, {"single": 1.0}))
    for name in ("impact_speed_from_following_jump", "centre_of_mass_displacement",
                 "negative_work", "reactive_strength_index"):  # fmt: skip
        outcome = values[name, "both", 1].outcome
        assert str(outcome.reason) == "no_flight", name
    assert isinstance(values["peak_vgrf", "both", 1].outcome, Measured)


def test_box_jump_gives_only_what_the_takeoff_gives():
    jump = Jump(end=8.0)
    force = jump.force(RATE)
    force[round(jump.takeoff * RATE) :] = 0.0
    values = _measure("box_jump", "both", _newtons(force, {"left": 0.5, "right": 0.5}))
    assert set(values) == {
        ("jump_height_from_impulse", "both", 1),
        ("time_to_takeoff", "both", 1),
    }
    height = values["jump_height_from_impulse", "both", 1].outcome.value
    assert height == pytest.approx(jump.height, rel=0.02)
    duration = values["time_to_takeoff", "both", 1].outcome.value
    # onset: 5 SD of the noise of two plates, 30 ms before it
    assert duration == pytest.approx(jump.takeoff - jump.start + 0.030, abs=0.02)


def test_cut_on_one_plate():
    time = sample_times(RATE, 3.0)
    force = half_sine(time - 1.0, 2.5 * WEIGHT, 0.240)
    values = _measure("cut", "left", _newtons(force, {"left": 1.0, "right": 0.0}), box=None)
    found = {name: v.outcome for (name, _, _), v in values.items()}
    assert found["contact_time"].value == pytest.approx(0.240, abs=0.003)
    assert found["peak_vgrf"].value == pytest.approx(2.5, rel=2e-3)
    # gross impulse of the first 100 ms: 2.5 T / pi (1 - cos(pi 0.1 / T)), 1.8 % more for 20 N
    exact = 2.5 * 0.240 / np.pi * (1.0 - np.cos(np.pi * 0.1 / 0.240))
    assert found["impulse_first_100_ms"].value == pytest.approx(exact, rel=0.03)
    assert "time_to_lowest_point" not in found
    assert "flight_time" not in found
    stays = _measure("cut", "left", _newtons(_drop(), {"left": 1.0, "right": 0.0}))
    assert "no_flight" in stays["peak_vgrf", "left", 1].events.flags


def test_body_weight_from_the_scale_is_told_where_it_matters():
    values = _values("countermovement_jump")
    for name in ("centre_of_mass_displacement", "first_force_peak", "time_to_stabilisation"):
        assert "body_weight_from_scale" in values[name, "both", 1].flags
    for name in ("time_to_takeoff", "impact_speed_from_flight_time", "jump_height_from_impulse"):
        assert "body_weight_from_scale" not in values[name, "both", 1].flags
