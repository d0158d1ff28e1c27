"""Contacts that lie apart: a clock that is off is told from a contact that was found wrong."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.events.stomp import StompLag, shock, stomp_lag
from pipeline.extraction.contacts_apart import Apart, contact_lags, what_is_apart
from tests.known_answers.test_stomp import CHOSEN, RUNNING
from tests.unit.extraction_signals import (
    CONTACT,
    PROCESSING,
    drop_force,
    drop_jump_force,
    half_sine,
    measure,
    plates,
    rows_of,
    times,
    trial,
    wearables,
)

SINGLE, DROP_JUMP = "single_leg_drop_landing", "drop_vertical_jump"
FORCE = drop_force(times())
PLATES = plates({"left": 1.0, "right": 0.0}, FORCE)
COURSE = PROCESSING.synchronisation.model_copy(
    update={
        "smallest_correlation": PROCESSING.quality.smallest_course_correlation,
        "search_s": PROCESSING.quality.course_s,
    }
)


def hitched(start_s=0.0):
    """The units of an athlete who hitches on the box: the waist unit takes that for the landing."""
    time = times()
    before = (time >= CONTACT - 1.2) & (time < CONTACT - 1.0)
    felt = np.where(before, 0.0, np.where(time < CONTACT - 0.25, 1.0, FORCE))
    felt = felt + 1.2 * half_sine(time, CONTACT - 1.0, 0.1)
    worn = wearables(FORCE)
    channels = worn.channels | {"waist_acceleration.y": felt * 9.80665}
    return replace(worn, channels=channels, start_s=start_s)


def table(*recordings, task=SINGLE, side="left"):
    rows = rows_of(measure(trial(task, side, *recordings)))
    return rows["landings"], rows["metrics"].set_index(["sensor", "metric"])


@pytest.mark.parametrize("noise_g", [0.0, 0.05])
@pytest.mark.parametrize("start_s", [0.0, 0.3, -0.7, 0.95])
def test_the_course_of_a_landing_gives_a_known_shift(start_s, noise_g):
    """What the waist feels here is the force itself, so that the shift is known."""
    worn = wearables(FORCE)
    felt = worn.channels["waist_acceleration.y"] / 9.80665
    felt = felt + np.random.default_rng(5).normal(0.0, noise_g, felt.size)
    force = shock(PLATES.channels["vertical_force.left"], 1000.0, "", **CHOSEN)
    lag = stomp_lag(
        force, shock(felt, 1000.0, "", **CHOSEN), CONTACT - 1.5, COURSE, beside_s=-start_s
    )
    assert isinstance(lag, StompLag)
    # The waist begins to fall 0.25 s before the contact, which the plate does not show: 5 ms.
    assert lag.lag_s == pytest.approx(start_s, abs=0.010)


def test_a_contact_found_wrong_costs_the_waist_unit_and_nothing_else():
    (one,) = measure(trial(SINGLE, "left", PLATES, hitched()))
    lag_s = contact_lags(one.observed)[1]
    assert lag_s == pytest.approx(-1.0, abs=0.05)  # the hitch, not the landing
    assert one.others == ()
    landings, metrics = table(PLATES, hitched())
    assert landings["flags"].tolist() == [""]
    of_waist = metrics.xs("waist")
    assert of_waist["flags"].str.contains("contact_mismatch").all()
    assert not of_waist["valid"].any()
    rest = metrics.drop("waist", level="sensor")
    assert not rest["flags"].str.contains("contact_mismatch|sync_fail|own_clock").any()
    # The knee is timed by the plate: as with a waist unit that sees the right landing.
    sound = table(PLATES, wearables(FORCE))[1]
    for sensor in ("gyro", "plate"):
        found, expected = metrics.xs(sensor), sound.xs(sensor)
        assert found["valid"].sum() == expected["valid"].sum() > 5
        np.testing.assert_array_equal(
            found["value"].to_numpy(float), expected["value"].to_numpy(float)
        )


def test_a_clock_that_is_off_is_still_told():
    """The same contacts 300 ms apart, but the whole course is: nothing was found wrong."""
    metrics = table(PLATES, replace(wearables(FORCE), start_s=0.3))[1]
    assert not metrics["flags"].str.contains("contact_mismatch").any()
    assert metrics.xs("waist")["valid"].any()
    assert metrics.xs("waist")["flags"].str.contains("own_clock").all()


def test_one_contact_in_time_shows_which_one_was_found_wrong():
    """Landing 2 by the waist unit comes 300 ms late, landing 1 in time."""
    time, force = times(8.0), drop_jump_force(times(8.0))
    later = np.where(time > 3.6, np.interp(time - 0.3, time, force), force)
    later[(time > 3.5) & (time < 4.25)] = 0.0
    both = plates({"left": 0.5, "right": 0.5}, force)
    metrics = table(both, wearables(later, ("left", "right")), task=DROP_JUMP, side="both")[1]
    of_waist = metrics.xs("waist")
    second = of_waist["landing"] == 2
    assert second.any()
    assert (of_waist["flags"].str.contains("contact_mismatch") == second).all()
    assert of_waist.loc[~second, "valid"].any()


@pytest.mark.parametrize(
    ("lags", "expected"),
    [
        ({1: 0.012, 2: 0.009}, Apart.NOTHING),
        ({1: 0.30, 2: 0.01}, Apart.CONTACT),
        ({1: 0.30, 2: 0.31}, Apart.CLOCK),
        ({1: 0.30, 2: -0.40}, Apart.CONTACT),
        ({1: 0.30}, Apart.CLOCK),
        ({}, Apart.NOTHING),
    ],
)
def test_without_a_course_lags_decide(lags, expected):
    """A clock shifts all contacts by one lag."""
    both = plates({"left": 0.5, "right": 0.5}, drop_jump_force(times(8.0)))
    (measured,) = measure(trial(DROP_JUMP, "both", both))
    assert measured.observed.waist is None
    assert what_is_apart(measured.observed, lags, PROCESSING) is expected


def test_a_trial_timed_by_a_doubtful_contact_does_not_count():
    """The plate caught half of the foot, so the waist unit times the trial: by a wrong contact."""
    half = plates({"left": 0.6, "right": 0.0}, FORCE)
    (measured,) = measure(trial(SINGLE, "left", half, hitched()))
    chosen = measured.observed.chosen[1, "left"]
    assert chosen.event_source == "waist"
    assert "contact_mismatch" in chosen.flags
    assert not rows_of([measured])["metrics"]["valid"].any()


def test_open_running_gives_no_lag_because_steps_repeat():
    """Sacral acceleration against belt force, on one clock, as in test_stomp.

    There the lag is found within half a step; over a whole second one step looks like the next.
    """
    if not RUNNING.is_file():
        pytest.skip("the folder `shared` is not beside the project")
    told = []
    with np.load(RUNNING) as data:
        for force, felt in zip(data["grf_normal_bw"], data["acc_vertical"], strict=True):
            seen = [shock(x[60:].astype(float), 500.0, "", **CHOSEN) for x in (force, felt)]
            told.append(stomp_lag(*seen, 1.0, COURSE))
    assert len(told) == 31
    for refused in told:
        assert not isinstance(refused, StompLag)
        assert "ambiguous" in refused.detail
