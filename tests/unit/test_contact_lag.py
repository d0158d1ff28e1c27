"""Contact lag of the waist: a recording shifted on the clock, and trials without a plate."""

from dataclasses import replace

import pytest

from pipeline.extraction.contact_lag import contact_lag
from pipeline.extraction.values import SideLanding
from pipeline.extraction.visit import measure_visit
from pipeline.metrics.outcome import Measured, Refused
from tests.unit import extraction_signals as made

NAME = "contact_lag_of_waist"


def _lags(*recordings):
    found = measure_visit(
        [made.trial("single_leg_drop_landing", "left", *recordings)],
        made.standing(),
        made.SCALES,
        made.PROCESSING,
    )
    return [
        value
        for trial in found
        for part in trial.by_clock
        for value in part.values
        if value.metric == NAME
    ]


def test_a_later_waist_recording_is_a_lag_of_that_length():
    # The same closed-form signal, its clock set back and forth: the lag changes by just that.
    force = made.drop_force(made.times())
    on_plate, on_waist = made.plates({"left": 1.0, "right": 0.0}, force), made.wearables(force)
    shifts = (0.0, 0.012, -0.005)
    lags = [_lags(on_plate, replace(on_waist, start_s=shift))[0].outcome for shift in shifts]
    assert all(isinstance(lag, Measured) for lag in lags)
    assert lags[1].value - lags[0].value == pytest.approx(12.0, abs=1e-6)
    assert lags[2].value - lags[0].value == pytest.approx(-5.0, abs=1e-6)
    # With one signal for both, what differs is the rule of detection: below 0.5 g against 20 N.
    assert abs(lags[0].value) < 5.0
    assert lags[1].first_sample <= lags[1].last_sample


@pytest.mark.parametrize(("start_s", "shared"), [(0.099, True), (0.2, False)])
def test_clocks_that_do_not_meet_have_no_lag(start_s, shared):
    force = made.drop_force(made.times())
    on_plate = made.plates({"left": 1.0, "right": 0.0}, force)
    # Found without a shift: 1.0 ms, from below 0.5 g against 20 N.
    (lag,) = _lags(on_plate, replace(made.wearables(force), start_s=start_s))
    assert isinstance(lag.outcome, Measured) is shared
    assert ("sync_fail" in lag.flags) is not shared


def test_without_a_plate_there_is_no_lag_to_refuse():
    assert _lags(made.wearables(made.drop_force(made.times()))) == []


def test_a_landing_that_one_sensor_missed_is_refused():
    force = made.drop_force(made.times())
    signals = made.wearables(force)
    seen = SideLanding(1, "left", "waist", signals, contact=3000.0)
    unseen = SideLanding(1, "left", "plate", signals)
    for waist, plate, who in (
        (seen, unseen, "plate"),
        (seen, None, "plate"),
        (unseen, seen, "waist"),
    ):
        outcome = contact_lag(waist, plate)
        assert isinstance(outcome, Refused)
        assert who in outcome.detail


def test_clocks_that_a_stomp_has_joined_give_no_lag():
    """Its shock had the same way to the waist as that of the contact: the lag took it away."""
    signals = made.wearables(made.drop_force(made.times()))
    plate = SideLanding(1, "left", "plate", signals, contact=3000.0)
    joined = replace(signals, lag_by_stomp=True)
    outcome = contact_lag(SideLanding(1, "left", "waist", joined, contact=3007.0), plate)
    assert isinstance(outcome, Refused)
    assert outcome.reason == "lag_by_stomp"
