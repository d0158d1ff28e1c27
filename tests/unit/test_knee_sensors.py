"""Gyroscopes without any other sensor, and knee sensors that are too slow for their filter."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.extraction.waveforms import Examples
from pipeline.metrics.outcome import Measured
from tests.unit import extraction_signals as made
from tests.unit.extraction_signals import (
    CONTACT,
    PROCESSING,
    RATE,
    drop_force,
    measure,
    one,
    plates,
    rows_of,
    times,
    trial,
    wearables,
)

SINGLE, DROP_JUMP = "single_leg_drop_landing", "drop_vertical_jump"


def only_gyroscopes(sides=("left",), sign=1.0, delays_s=(0.0, 0.0)):
    """Gyroscopes alone: the knee of the closed form, later by `delays_s` on each side."""
    channels = {}
    for side, delay_s in zip(sides, delays_s, strict=False):
        channels |= made.knee_rates(times() - delay_s, (side,), sign=sign)
    return replace(wearables(drop_force(times()), sides), channels=channels)


def test_gyroscopes_alone_still_give_a_contact():
    """The knee starts to bend at contact, in the closed form: there its rate bends most sharply."""
    (measured,) = measure(trial(SINGLE, "left", only_gyroscopes()))
    chosen = measured.observed.chosen[1, "left"]
    assert chosen.event_source == "gyro"
    assert chosen.seconds(chosen.contact) == pytest.approx(CONTACT, abs=0.002)
    tables = rows_of([measured])
    (landing,) = tables["landings"].to_dict("records")
    assert landing["event_source"] == "gyro"
    assert landing["flags"] == "contact_by_gyro"
    assert landing["valid"]
    metrics = tables["metrics"].set_index("metric")
    assert set(metrics["sensor"]) == {"gyro"}  # no force, no height: nothing else was measured
    assert (metrics["flags"] == "contact_by_gyro").all()
    assert metrics["valid"].all()
    assert metrics.loc["knee_flexion_excursion", "value"] == pytest.approx(50.0, abs=1.0)


@pytest.mark.parametrize("missed", ["plate", "waist"])
def test_gyroscopes_step_in_where_the_others_saw_nothing(missed):
    nothing = np.ones_like(times())
    if missed == "plate":
        blind = plates({"left": 0.0, "right": 0.0}, nothing)
        recordings = (blind, only_gyroscopes())
    else:
        recordings = (wearables(nothing),)
    (measured,) = measure(trial(SINGLE, "left", *recordings))
    chosen = measured.observed.chosen[1, "left"]
    assert chosen.event_source == "gyro"
    metrics = rows_of([measured])["metrics"].set_index(["sensor", "metric"])
    assert metrics.loc[("gyro", "knee_flexion_excursion"), "valid"]
    assert not metrics.loc[missed, "valid"].any()  # a contact by gyroscope times no other sensor
    assert metrics.loc[missed, "value"].isna().all()


def test_the_earlier_leg_gives_the_contact_of_the_body():
    legs = only_gyroscopes(("left", "right"), delays_s=(0.03, 0.0))
    (measured,) = measure(trial(DROP_JUMP, "both", legs))
    chosen = measured.observed.chosen
    seconds = {side: chosen[1, side].seconds(chosen[1, side].contact) for side in ("left", "right")}
    assert seconds["left"] - seconds["right"] == pytest.approx(0.03, abs=0.001)
    assert chosen[1, "both"].seconds(chosen[1, "both"].contact) == seconds["right"]
    assert chosen[2, "both"].event_source == "none"
    assert "no_landing" in chosen[2, "both"].flags


def test_mirrored_gyroscopes_alone_are_turned_before_their_contact_is_sought():
    alone = [trial(SINGLE, "left", only_gyroscopes(sign=-1.0), number=n) for n in (1, 2, 3)]
    for measured in measure(*alone):
        chosen = measured.observed.chosen[1, "left"]
        assert chosen.seconds(chosen.contact) == pytest.approx(CONTACT, abs=0.002)
        assert "mirrored_sensor" in one(measured, "knee_flexion_excursion", "gyro").flags


def test_a_countermovement_jump_gets_no_contact_by_gyroscope():
    """None of its metrics could use it: it has no knee metric, and force and height need more."""
    (measured,) = measure(trial("countermovement_jump", "both", only_gyroscopes(("left", "right"))))
    assert {x.event_source for x in measured.observed.chosen.values()} == {"none"}


def test_a_camera_shares_the_contact_of_the_gyroscopes():
    (measured,) = measure(trial(SINGLE, "left", only_gyroscopes(), camera(100.0)))
    value = one(measured, "knee_flexion_excursion", "camera")
    assert value.outcome.value == pytest.approx(50.0, abs=1.0)
    assert (
        "contact_by_gyro"
        in rows_of([measured])["metrics"].set_index("sensor").loc["camera", "flags"].iloc[0]
    )


def slower(signals, rate_hz):
    """The recording as another instrument samples it: every so many-th value."""
    at = np.arange(0.0, times()[-1], 1.0 / rate_hz)
    channels = {name: np.interp(at, times(), values) for name, values in signals.channels.items()}
    return replace(signals, rate_hz=rate_hz, channels=channels)


def camera(rate_hz):
    angle = np.cumsum(made.knee_rates(times(), ("left",))["thigh_rate.left.z"]) / RATE / 0.6
    channels = {"knee_flexion.left": angle}
    return slower(replace(wearables(drop_force(times())), channels=channels), rate_hz)


@pytest.mark.parametrize(
    ("sensor", "rate_hz", "cutoff"), [("gyro", 40.0, "20 Hz"), ("camera", 24.0, "12 Hz")]
)
def test_a_rate_too_low_for_the_filter_is_refused_with_both_numbers(sensor, rate_hz, cutoff):
    """Half of the rate must lie above the cut-off: the sampling theorem."""
    force = drop_force(times())
    on_plate = plates({"left": 1.0, "right": 0.0}, force)
    for rate, measurable in ((rate_hz, False), (rate_hz + 1.0, True)):
        knee = slower(wearables(force), rate) if sensor == "gyro" else camera(rate)
        (measured,) = measure(trial(SINGLE, "left", on_plate, knee))
        examples = Examples(PROCESSING)
        examples.offer(measured, made.standing())
        shown = set(examples.table().column("channel").to_pylist())
        assert ("knee_flexion.left" in shown) == (measurable and sensor == "gyro")
        found = [value for value in measured.values if value.sensor == sensor]
        assert len(found) >= 3
        for value in found:
            if measurable:
                assert isinstance(value.outcome, Measured)
            else:
                assert "rate_mismatch" in value.flags
                assert f"{rate:g} samples per second" in value.outcome.detail
                assert cutoff in value.outcome.detail
