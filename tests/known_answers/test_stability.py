"""Vertical time to stabilisation of forces whose approach to body weight is a formula."""

import math

import numpy as np
import pytest

from pipeline.metrics.stability import time_to_stabilisation
from pipeline.reasons import Reason
from tests.known_answers.signals import WEIGHT, SpringMass, sample_times

START = 1.0
RULE = {"band_share": 0.05, "hold_s": 1.0, "trial_s": 2.5}


def _found(force, rate, **changes):
    return time_to_stabilisation(
        force, rate, contact=START * rate, body_weight_n=WEIGHT, **(RULE | changes)
    )


def _decay(rate, time_constant, start_share=2.0, duration=5.0):
    """The force leaves 2 body weights above its own and comes back like exp(-t / tau)."""
    time = sample_times(rate, duration) - START
    share = 1.0 + start_share * np.exp(-np.maximum(time, 0.0) / time_constant)
    return np.where(time < 0.0, 0.0, WEIGHT * share)


@pytest.mark.parametrize("rate", [100, 200, 500, 1000, 2000])
@pytest.mark.parametrize("time_constant", [0.1, 0.2, 0.35])
def test_exponential_approach(rate, time_constant):
    # 2 exp(-t/tau) = 0.05 at t = tau ln 40. A chord lies above a curve that is bent upward: it
    # meets the band late, by at most (h^2 / 8 f'') / f' = h^2 / (8 tau), and a little of order h^3
    exact = time_constant * math.log(40.0)
    found = _found(_decay(rate, time_constant), rate)
    assert -1e-9 <= found.value - exact <= 1.1 / (8.0 * time_constant * rate**2)
    assert found.first_sample == START * rate


@pytest.mark.parametrize("rate", [100, 1000])
def test_a_swinging_approach_counts_from_the_last_swing(rate):
    # zeta = 0.2 on a soft spring: |F/BW - 1| is a decaying swing; the last crossing decides
    spring = SpringMass(2000.0, 0.2, 0.6)
    time = sample_times(rate, 8.0) - START
    dense = np.arange(0.0, 6.0, 1e-5)
    away = np.abs(spring.force(dense) / WEIGHT - 1.0)
    exact = dense[np.flatnonzero(away > 0.05)[-1]]
    found = _found(spring.force(time), rate, trial_s=5.0)
    assert found.value == pytest.approx(exact, abs=0.02 / rate)


def test_the_band_may_be_entered_from_below_and_overshot_within_it():
    rate, band = 100.0, 0.05 * WEIGHT
    force = np.full(600, WEIGHT)
    force[100:150], force[150] = WEIGHT - 3.0 * band, WEIGHT + band  # from -3 to +1 bands
    assert _found(force, rate, trial_s=4.0).value == pytest.approx(0.495)
    assert _found(np.full(600, WEIGHT), rate).value == pytest.approx(0.0)  # never outside


def test_the_length_of_the_trial_and_the_hold():
    rate = 1000.0
    slow = _decay(rate, 0.45)  # reaches the band at 1.66 s
    assert _found(slow, rate, trial_s=2.7).value == pytest.approx(1.66, abs=2e-3)
    never = _found(slow, rate)
    assert never.reason is Reason.NOT_STABILISED
    assert "for 1 s within 2.5 s" in never.detail
    short = _found(slow[:3000], rate)
    assert short.reason is Reason.SHORT_RECORDING
    assert "ends 2.0 s after contact" in short.detail


def test_exactly_the_hold_is_enough():
    rate = 100.0
    force = np.full(600, 2.0 * WEIGHT)
    force[150:251] = WEIGHT  # 101 samples span 1.00 s
    # the line from 2 to 1 body weights meets 1.05 at 0.95 of a sample
    assert _found(force, rate, trial_s=4.0).value == pytest.approx(0.4995)
    force[250] = 2.0 * WEIGHT
    assert _found(force, rate, trial_s=4.0).reason is Reason.NOT_STABILISED


def test_noise_and_offset():
    rate, rng = 1000.0, np.random.default_rng(12)
    exact = 0.2 * math.log(40.0)
    force = _decay(rate, 0.2)
    found = np.array(
        [_found(force + rng.normal(0.0, 2.0, force.size), rate).value for _ in range(100)]
    )
    # noise of 0.3 % of body weight holds the force out a little longer: about 15 ms here
    assert 0.0 < found.mean() - exact < 0.03
    assert found.std() < 0.01
    # an offset of 1 % of body weight narrows the band to 4 %: tau ln(5/4) later
    late = _found(force + 0.01 * WEIGHT, rate).value
    assert late - exact == pytest.approx(0.2 * math.log(5.0 / 4.0), abs=1.5e-3)
