"""A landing on one leg with load on the plate beside it: closed forms, extraction, open walking."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.events.other_plate import other_plate_loaded
from pipeline.extraction.clocks import on_own_clock
from shared.sources import ROOT
from tests.unit.extraction_signals import (
    CONTACT,
    PROCESSING,
    RATE,
    WEIGHT,
    drop_force,
    drop_jump_force,
    measure,
    plates,
    rows_of,
    times,
    trial,
    wearables,
)

SINGLE, FLAG = "single_leg_drop_landing", "other_plate_loaded"
GAIT = ROOT.parent / "shared" / "data" / "bmc_jumps_CCBY4" / "Gait.c3d"


def pair(rate_hz, load_bw, first_s, length_s):
    """A foot on one plate from 1 s on, and a load on the other one; body weights, 4 s."""
    time = np.arange(round(4.0 * rate_hz)) / rate_hz
    landing = np.where(time >= 1.0, 1.0, 0.0)
    other = np.where((time >= first_s) & (time < first_s + length_s), load_bw, 0.0)
    return np.stack([landing, other])


@pytest.mark.parametrize("rate_hz", [100.0, 500.0, 1000.0, 2000.0])
@pytest.mark.parametrize(
    ("load_bw", "first_s", "length_s", "expected"),
    [
        (0.051, 1.30, 0.10, True),
        (0.049, 1.30, 0.10, False),  # too light
        (0.300, 1.02, 0.04, False),  # too short: the floor rings
        (0.060, 1.02, 0.06, True),
        (0.500, 0.50, 0.45, False),  # gone before the contact
        (0.500, 0.50, 1.00, True),  # never lifted
        (0.500, 3.60, 0.30, False),  # after the time that counts
        (0.500, 3.40, 0.60, True),  # 100 ms of it within
    ],
)
def test_closed_forms(rate_hz, load_bw, first_s, length_s, expected):
    forces = pair(rate_hz, load_bw, first_s, length_s)
    rules = {"contact": rate_hz, "end": 3.5 * rate_hz, "smallest_load_n": 0.05, "hold_s": 0.050}
    assert other_plate_loaded(forces, rate_hz, **rules) is expected
    assert other_plate_loaded(forces[::-1], rate_hz, **rules) is expected  # whichever plate it is


def other_foot(force, from_s, until_s, share=0.4):
    """The same landing, the other plate taking a share of it between two times after contact."""
    after, found = times(force.size / RATE) - CONTACT, plates({"left": 1.0, "right": 0.0}, force)
    load = np.where((after >= from_s) & (after < until_s), share * WEIGHT * force, 0.0)
    left, right = (found.channels[f"vertical_force.{side}"] for side in ("left", "right"))
    return replace(
        found,
        channels={"vertical_force.left": left - load, "vertical_force.right": right + load},
    )


@pytest.mark.parametrize(
    ("from_s", "until_s", "flagged"),
    [(0.0, 9.0, True), (0.3, 0.6, True), (2.6, 9.0, False), (0.01, 0.04, False)],
    ids=["two legs", "touches down", "after the landing was held", "ringing"],
)
def test_no_value_of_such_a_landing_counts(from_s, until_s, flagged):
    """The sum of both plates is the same, and so are all values to 1 %: only this flag tells."""
    force = drop_force(times())
    one_leg = measure(trial(SINGLE, "left", plates({"left": 1.0, "right": 0.0}, force)))
    sound = rows_of(one_leg)["metrics"]
    assert sound["valid"].any()
    assert not sound["flags"].str.contains(FLAG).any()
    both = (other_foot(force, from_s, until_s), wearables(force))
    rows = rows_of(measure(trial(SINGLE, "left", *both)))
    (landing,) = rows["landings"].to_dict("records")
    assert (landing["flags"], landing["valid"]) == ((FLAG, False) if flagged else ("", True))
    metrics = rows["metrics"]
    assert set(metrics["sensor"]) == {"plate", "waist", "gyro"}
    assert (metrics["flags"].str.contains(FLAG) == flagged).all()
    assert metrics["valid"].any() == (not flagged)
    of_plates = metrics.loc[metrics["sensor"] == "plate", "value"].to_numpy(float)
    np.testing.assert_allclose(of_plates, sound["value"].to_numpy(float), rtol=1e-2)


def test_it_stands_against_the_trial_on_every_clock():
    force = drop_force(times())
    late = on_own_clock(replace(wearables(force), start_s=0.3), ())
    metrics = rows_of(measure(trial(SINGLE, "left", other_foot(force, 0.3, 0.6), late)))["metrics"]
    assert set(metrics["sensor"]) == {"plate", "waist", "gyro"}
    assert metrics["flags"].str.contains(FLAG).all()
    assert not metrics["valid"].any()


def test_it_stands_against_the_trial_that_the_waist_unit_times():
    """A foot partly beside both plates: the waist unit gives the contact, the plates still saw."""
    force = drop_force(times())
    found = other_foot(force, 0.3, 9.0)
    weak = replace(found, channels={n: 0.7 * v for n, v in found.channels.items()})
    (measured,) = measure(trial(SINGLE, "left", weak, wearables(force)))
    chosen = measured.observed.chosen[1, "left"]
    assert chosen.event_source == "waist"
    assert chosen.flags == {FLAG}


def test_two_legs_and_the_step_after_a_take_off_are_no_fault():
    time = times(8.0)
    force = drop_jump_force(time)
    shares = {"left": 0.5, "right": 0.5}
    (two_legs,) = measure(trial("drop_vertical_jump", "both", plates(shares, force)))
    assert all(FLAG not in x.flags for x in two_legs.observed.chosen.values())
    # A cut: one contact on the left plate, then a step onto the right one.
    cut = plates({"left": 1.0, "right": 0.0}, np.where(time < 3.5, force, 0.0))
    step = np.where(time >= 3.55, WEIGHT, 0.0)
    channels = cut.channels | {"vertical_force.right": cut.channels["vertical_force.right"] + step}
    (after,) = measure(trial("cut", "left", replace(cut, channels=channels)))
    assert after.observed.plate_landings[1, "left"].takeoff is not None
    assert FLAG not in after.observed.chosen[1, "left"].flags


def test_walking_over_two_real_plates():
    """Gait.c3d, M. Duarte and R. Watanabe, Biomechanics and Motor Control, CC BY 4.0, 1000 Hz.

    One foot on the second plate, 73 ms of both, then the other foot on the first: single support
    must not be taken for double, though the plates share a floor. The forces are not in newtons;
    the load between the peaks of a step stands for body weight.
    """
    if not GAIT.is_file():
        pytest.skip("the open recordings are not in the folder `shared` next to the project")
    import ezc3d

    analogs = ezc3d.c3d(str(GAIT))["data"]["analogs"][0]
    forces = -analogs[[2, 8]]
    forces -= forces[:, :1000].mean(axis=1, keepdims=True)
    on_first, on_second = (np.flatnonzero(force > 2.0) for force in forces)
    assert 50 < on_second[-1] - on_first[0] < 100
    events = PROCESSING.events
    rules = {"smallest_load_n": events.other_plate_load_share * 60.0}
    rules |= {"hold_s": events.other_plate_hold_s}

    def loaded(contact, end):
        return other_plate_loaded(forces, 1000.0, contact=contact, end=end, **rules)

    assert not loaded(on_second[0], on_first[0] - 1)
    assert not loaded(on_second[-1] + 1, on_first[-1])
    assert loaded(on_second[0], on_first[-1])
    assert loaded(on_second[0], on_second[-1])
