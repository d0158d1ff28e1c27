"""What must and what must not change with an offset, a mass, a time, a limb or a file format."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.calibration.body_weight import quiet_stance
from pipeline.calibration.saturation import clipping
from pipeline.events.centre_of_mass import descent, impact_speed_from_flight
from pipeline.events.plate import contact_threshold, empty_plate, limb_phase, plate_flights
from pipeline.events.tasks import countermovement_jump
from pipeline.filtering.butterworth import zero_lag_lowpass
from pipeline.filtering.sampled import integral_between
from pipeline.metrics.force import (
    gross_impulse,
    peak_force,
    peak_vgrf,
    time_to_peak_vgrf,
)
from pipeline.metrics.jump import jump_height_from_flight_time, time_between
from pipeline.metrics.loading_rate import average_loading_rate
from tests.known_answers.rules import EMPTY, FLIGHT, LIMB, SEARCH, STANCE, TASK, THRESHOLD
from tests.known_answers.signals import Jump

RATE = 1000.0
JUMP = Jump().force(RATE)
NOISE = np.random.default_rng(0).normal(0.0, 1.0, len(JUMP))


@dataclass(frozen=True)
class Result:
    contact_s: float
    takeoff_s: float
    values: tuple[float, ...]


def _analyse(force, rate=RATE, threshold=THRESHOLD):
    plate = empty_plate(force, rate, **(EMPTY | threshold))
    force = force - plate.offset_n
    level = contact_threshold(plate.noise_n, **threshold)
    smallest = replace(TASK, smallest_landing_peak=100.0)
    phases = plate_flights(force, [level], rate, **FLIGHT)
    flight = countermovement_jump(phases, rate, smallest).landings[0].flight
    contact, takeoff = flight.contact.position, flight.takeoff.position
    stance = quiet_stance(force, rate, **STANCE, end_sample=flight.takeoff.sample)
    weight = float(force[stance.samples].mean())
    flight_time = time_between(takeoff, contact, rate)
    lowest = descent(
        force, rate, contact=contact, body_weight_n=weight, **SEARCH,
        impact_speed=impact_speed_from_flight(flight_time.value),
    )  # fmt: skip
    peak = peak_force(force, rate, contact=contact, lowest=lowest.lowest, peak_force_s=0.2)
    return Result(
        contact / rate,
        takeoff / rate,
        (
            peak_vgrf(peak, body_weight_n=weight).value,
            time_to_peak_vgrf(peak, rate, contact=contact).value,
            average_loading_rate(force, peak, rate, contact=contact, body_weight_n=weight).value,
            gross_impulse(
                force, rate, contact=contact, duration_s=0.05, body_weight_n=weight
            ).value,
            gross_impulse(
                force, rate, contact=contact, duration_s=0.10, body_weight_n=weight
            ).value,
            jump_height_from_flight_time(flight_time).value,
        ),
    )


BASE = _analyse(JUMP + NOISE)


@settings(max_examples=25, deadline=None)
@given(st.floats(-40.0, 40.0))
def test_an_offset_of_the_plate_changes_nothing(offset):
    result = _analyse(JUMP + NOISE + offset)
    np.testing.assert_allclose(result.values, BASE.values, rtol=1e-9)
    assert result.contact_s == pytest.approx(BASE.contact_s, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.4, 3.0))
def test_scaling_the_mass_scales_no_normalised_value(factor):
    # the threshold in N is scaled along: it is the one absolute number of the definitions
    scaled = {"force_threshold_n": 20.0 * factor, "force_threshold_sd": 5.0}
    result = _analyse((JUMP + NOISE) * factor, threshold=scaled)
    np.testing.assert_allclose(result.values, BASE.values, rtol=1e-9)
    # with the fixed threshold of 20 N a heavier athlete is only met a little earlier
    fixed = _analyse((JUMP + NOISE) * factor)
    assert fixed.contact_s == pytest.approx(BASE.contact_s, abs=1e-3)
    assert fixed.values[0] == pytest.approx(BASE.values[0], rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 3000))
def test_padding_time_moves_events_and_nothing_else(samples):
    weight = JUMP[0] + np.resize(NOISE, samples)
    result = _analyse(np.concatenate([weight, JUMP + NOISE]))
    assert result.contact_s - BASE.contact_s == pytest.approx(samples / RATE, abs=1e-9)
    assert result.takeoff_s - BASE.takeoff_s == pytest.approx(samples / RATE, abs=1e-9)
    # body weight may come from another quiet second of the same noise: 1 N/sqrt(1000)
    np.testing.assert_allclose(result.values, BASE.values, rtol=1e-3)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.25, 0.75), st.integers(0, 40))
def test_swapping_the_plates_swaps_the_limbs(share, lag):
    first = share * JUMP
    second = np.concatenate([np.full(lag, (1 - share) * JUMP[0]), (1 - share) * JUMP])[: len(JUMP)]
    body = plate_flights(np.array([first, second]), [20.0, 20.0], RATE, **FLIGHT)
    swapped = plate_flights(np.array([second, first]), [20.0, 20.0], RATE, **FLIGHT)
    assert body == swapped
    limbs = [
        limb_phase(plate_flights(force, [20.0], RATE, **FLIGHT), body[0], RATE, **LIMB)
        for force in (first, second)
    ]
    assert body[0].contact.position == min(limb.contact.position for limb in limbs)
    assert body[0].takeoff.position == max(limb.takeoff.position for limb in limbs)


@settings(max_examples=25, deadline=None)
@given(st.floats(-5.0, 5.0), st.floats(0.1, 10.0))
def test_the_filter_is_linear(offset, factor):
    signal = JUMP[1500:3500] / 700.0
    plain = zero_lag_lowpass(signal, RATE, cutoff_hz=50.0, order_per_pass=2)
    changed = zero_lag_lowpass(signal * factor + offset, RATE, cutoff_hz=50.0, order_per_pass=2)
    np.testing.assert_allclose(changed, plain * factor + offset, atol=1e-9)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.0, 99.0), min_size=3, max_size=3))
def test_integrals_add_up(positions):
    signal = NOISE[:100]
    first, middle, last = sorted(positions)
    parts = integral_between(signal, RATE, first, middle) + integral_between(
        signal, RATE, middle, last
    )
    # a limit between two samples is on the same straight line from both sides
    assert parts == pytest.approx(integral_between(signal, RATE, first, last), abs=1e-12)


@settings(max_examples=30, deadline=None)
@given(st.floats(1.0, 40.0), st.floats(1.0, 40.0))
def test_a_larger_signal_is_never_less_clipped(small, large):
    small, large = sorted((small, large))
    wave = np.sin(np.linspace(0.0, 6.0, 500))[None, :]
    counts = [
        clipping(
            np.clip(size * wave, -16, 16),
            500.0,
            full_scale=16.0,
            clip_share_of_range=0.995,
            flat_top_share_of_range=0.97,
            flat_top_samples=3,
        ).samples
        for size in (small, large)
    ]
    assert counts[0] <= counts[1]


def test_single_precision_files_give_the_same_numbers():
    result = _analyse((JUMP + NOISE).astype(np.float32).astype(np.float64))
    np.testing.assert_allclose(result.values, BASE.values, rtol=1e-5)
