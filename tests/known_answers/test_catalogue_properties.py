"""What must change in the whole catalogue, and what must not, whatever is drawn.

All sensors of closed-form trials (`closed_study`) pass calibration, events and metrics in memory,
as they are and changed. An offset, the orientation of the waist unit, the instant of the trigger
and the name of a limb are no properties of a landing; a mass is one of forces only.
`test_closed_properties` does the same through files, `test_properties` with single functions.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from pipeline.extraction.signals import Signals
from pipeline.extraction.standing import calibrate
from pipeline.extraction.trials import Trial
from pipeline.extraction.visit import measure_visit
from pipeline.metrics.outcome import Measured, Outcome
from pipeline.quality.windows import FullScale
from shared.metric_dictionary import metrics
from shared.settings.load import load_settings
from shared.settings.processing import ProcessingSettings
from shared.sources import ROOT
from tests.known_answers.closed_movement import Movement
from tests.known_answers.closed_study import (
    CONDITIONS,
    TASKS_OF_ALL_METRICS,
    columns_of,
    profile,
)
from tests.known_answers.signals import MASS, G

RATE = 500.0
PROCESSING = load_settings(ROOT / "config").processing
PLACES = [
    (place["channel"], place["column"], place["unit"])
    for place in profile("unit", RATE, "csv", 16.0)["channels"]
]
TO_SI = {"N": 1.0, "g": G, "deg/s": np.pi / 180.0, "deg": np.pi / 180.0}
SCALES = {"unit": {channel: FullScale(np.inf) for channel, *_ in PLACES}}
SIDES = {"left": "right", "right": "left"}

Channels = dict[str, np.ndarray]
Change = Callable[[Channels], Channels]
Key = tuple[str, int, str, str, str]
"""Task, landing, side, metric, sensor."""


def _channels(movement: Movement | None, seed: int, condition: str) -> Channels:
    rng = np.random.default_rng(seed)
    columns = columns_of(movement, RATE, CONDITIONS[condition], rng)
    return {channel: columns[column] * TO_SI[unit] for channel, column, unit in PLACES}


RAW = {
    condition: {
        task: _channels(Movement(task, shift_s=0.0037), seed, condition)
        for seed, task in enumerate(TASKS_OF_ALL_METRICS)
    }
    for condition in ("clean", "noise")
}
STANDING = {condition: _channels(None, 99, condition) for condition in RAW}


def _signals(channels: Channels, start_s: float = 0.0) -> Signals:
    return Signals("recording", "unit", start_s, RATE, channels)


def outcomes(
    change: Change = dict,
    *,
    condition: str = "noise",
    mass_kg: float = MASS,
    start_s: float = 0.0,
    swapped: bool = False,
    processing: ProcessingSettings = PROCESSING,
) -> dict[Key, Outcome]:
    """Return the whole catalogue of all trials; `change` is done to every recording."""
    standing = calibrate([_signals(change(STANDING[condition]))], mass_kg, processing)
    trials = []
    for task, channels in RAW[condition].items():
        side = "both"
        if task.startswith("single_leg"):
            side = "right" if swapped else "left"
        recording = _signals(change(channels), start_s)
        box = Movement(task).box_height_m
        trials.append(Trial("A1", "s", "v", task, side, 1, box, (recording,)))
    return {
        (found.observed.trial.task, value.number, value.side, value.metric, value.sensor): (
            value.outcome
        )
        for found in measure_visit(trials, standing, SCALES, processing)
        for value in found.values
    }


def measured(change: Change = dict, **how) -> dict[Key, float | str]:
    """Return the value of each, or the reason why there is none."""
    return {
        key: outcome.value if isinstance(outcome, Measured) else outcome.reason.value
        for key, outcome in outcomes(change, **how).items()
    }


BASE = {condition: measured(condition=condition) for condition in RAW}


def assert_same(found, expected, *, rtol, atol=1e-9):
    assert found.keys() == expected.keys()
    for key, value in expected.items():
        if isinstance(value, str):
            assert found[key] == value, key
        else:
            assert found[key] == pytest.approx(value, rel=rtol, abs=atol), key


def test_the_trials_hold_the_whole_catalogue():
    found = {(key[3], key[4]) for key, value in BASE["noise"].items() if not isinstance(value, str)}
    assert found == {
        (metric.id, sensor) for metric in metrics().values() for sensor in metric.sensors
    }


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.floats(-40.0, 40.0), min_size=2, max_size=2),
    st.lists(st.floats(-3.0, 3.0), min_size=4, max_size=4),
)
def test_an_offset_of_plates_and_gyroscopes_changes_nothing(plates_n, rates_deg_s):
    offsets = {
        **{f"vertical_force.{side}": n for side, n in zip(SIDES, plates_n, strict=True)},
        **{
            f"{segment}_rate.{side}.z": np.radians(rate)
            for (segment, side), rate in zip(
                [(x, side) for x in ("thigh", "shank") for side in SIDES], rates_deg_s, strict=True
            )
        },
    }
    found = measured(lambda channels: {n: v + offsets.get(n, 0.0) for n, v in channels.items()})
    assert_same(found, BASE["noise"], rtol=1e-9, atol=1e-8)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_the_orientation_of_the_accelerometers_changes_nothing(seed):
    """Worn in any way, but as in the standing calibration, which finds the vertical."""
    turn = Rotation.random(random_state=seed).as_matrix()

    def turned(channels):
        out = dict(channels)
        for place in ("waist_acceleration", "reference_acceleration"):
            axes = [f"{place}.{axis}" for axis in "xyz"]
            out |= dict(zip(axes, turn @ [channels[axis] for axis in axes], strict=True))
        return out

    assert_same(measured(turned), BASE["noise"], rtol=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.3, 0.7))
def test_swapped_limbs_swap_the_values_of_the_limbs(share):
    """Channels and limbs of the trials change sides; any share of the load is on the left plate."""

    def shared(channels):
        left, right = (f"vertical_force.{side}" for side in SIDES)
        both = channels[left] + channels[right]
        on_one_leg = channels[right].max() < 100.0
        return (
            channels if on_one_leg else channels | {left: share * both, right: both - share * both}
        )

    def swapped(channels):
        other = {n: ".".join(SIDES.get(part, part) for part in n.split(".")) for n in channels}
        return {n: channels[other[n]] for n in channels}

    before, found = measured(shared), measured(lambda c: swapped(shared(c)), swapped=True)
    expected = {
        (task, landing, SIDES.get(side, side), *rest): value
        for (task, landing, side, *rest), value in before.items()
    }
    assert_same(found, expected, rtol=1e-12)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.5, 2.5))
def test_a_mass_scales_the_stiffness_and_nothing_else(factor):
    """The thresholds in N are scaled along: they are the absolute numbers of the definitions."""
    events = PROCESSING.events
    in_n = {
        name: factor * getattr(events, name) for name in ("force_threshold_n", "largest_offset_n")
    }
    scaled = PROCESSING.model_copy(update={"events": events.model_copy(update=in_n)})

    def heavier(channels):
        return {n: factor * v if n.startswith("vertical") else v for n, v in channels.items()}

    found = measured(heavier, mass_kg=factor * MASS, processing=scaled)
    expected = dict(BASE["noise"])
    stiffness = [key for key in expected if key[3] == "vertical_stiffness"]
    for key in stiffness:
        if not isinstance(expected[key], str):
            expected[key] = factor * expected[key]
    assert stiffness
    assert_same(found, expected, rtol=1e-8)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 500), st.integers(0, 500), st.floats(-100.0, 100.0))
def test_time_before_and_after_and_the_zero_of_the_clock_change_no_value(before, after, start_s):
    """Without noise: with it, body weight and biases come from another second of the same noise."""

    def padded(channels):
        return {
            n: np.concatenate([np.full(before, v[0]), v, np.full(after, v[-1])])
            for n, v in channels.items()
        }

    found = outcomes(padded, condition="clean", start_s=start_s)
    values = {
        key: outcome.value if isinstance(outcome, Measured) else outcome.reason.value
        for key, outcome in found.items()
    }
    assert_same(values, BASE["clean"], rtol=1e-6, atol=1e-6)
    unpadded = outcomes(condition="clean")
    for key, outcome in found.items():
        if key[3] == "impulse_first_100_ms":
            assert outcome.first_sample == unpadded[key].first_sample + before


@pytest.mark.parametrize(
    ("changed", "sensors"),
    [
        ("waist_acceleration", {"waist", "reference_accelerometer"}),
        ("reference_acceleration", {"reference_accelerometer"}),
        ("shank_rate", {"gyro"}),
        ("knee_flexion", {"camera"}),
    ],
)
def test_a_gain_changes_values_of_its_own_sensor_only(changed, sensors):
    """Where there is a plate, the knees take their events from it.

    The windows of the better accelerometer begin with the contact of the waist unit beside it.
    """

    def amplified(channels):
        return {n: 1.01 * v if n.startswith(changed) else v for n, v in channels.items()}

    found = measured(amplified)
    moved = {key[4] for key, value in BASE["noise"].items() if found[key] != value}
    assert moved == sensors


def test_an_offset_of_the_camera_moves_its_angles_and_not_their_difference():
    def shifted(channels):
        return {n: v + 0.1 if n.startswith("knee") else v for n, v in channels.items()}

    found = measured(shifted)
    for key, value in BASE["noise"].items():
        if key[4] == "camera" and key[3] != "knee_flexion_excursion":
            assert found[key] == pytest.approx(value + np.degrees(0.1), abs=1e-9)
        else:
            assert found[key] == pytest.approx(value, abs=1e-9) or found[key] == value
