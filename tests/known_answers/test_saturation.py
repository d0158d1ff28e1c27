"""Clipping against the closed form of a half-sine that runs into its range (DOMAIN 2.6, 9.7)."""

import math

import numpy as np
import pytest

from pipeline.calibration.saturation import clipping
from tests.known_answers.signals import G, half_sine, sample_times

WIDTH, RANGE = 0.030, 16.0
RULE = {
    "full_scale": RANGE,
    "clip_share_of_range": 0.995,
    "flat_top_share_of_range": 0.97,
    "flat_top_samples": 3,
}


def _axes(peak, rate, start=0.5):
    pulse = half_sine(sample_times(rate, 1.0) - start, peak, WIDTH)
    return np.vstack([np.zeros_like(pulse), pulse, np.zeros_like(pulse)])


# DOMAIN 2.6: flat time, peak loss, impulse loss
@pytest.mark.parametrize(
    ("peak", "flat_ms", "peak_loss", "impulse_loss"),
    [
        (17, 6.6, 0.059, 0.013),
        (20, 12.3, 0.20, 0.085),
        (24, 16.1, 0.33, 0.185),
        (32, 20.0, 0.5, 0.34),
    ],
)
def test_flat_time_and_losses(peak, flat_ms, peak_loss, impulse_loss):
    rate = 100_000.0
    true = _axes(peak, rate)
    clipped = np.clip(true, -RANGE, RANGE)
    found = clipping(clipped, rate, **(RULE | {"clip_share_of_range": 1.0}))
    exact_ms = WIDTH * 1000 * (1 - 2 / math.pi * math.asin(RANGE / peak))
    assert exact_ms == pytest.approx(flat_ms, abs=0.06)
    assert found.duration_s * 1000 == pytest.approx(exact_ms, abs=0.02)
    assert found.axes == (1,)
    assert 1 - clipped.max() / peak == pytest.approx(peak_loss, abs=5e-3)
    assert 1 - clipped.sum() / true.sum() == pytest.approx(impulse_loss, abs=5e-3)


# DOMAIN 9.7: 1.6, 6.4 and 25.7 clipped samples on average at 24 g, 30 ms
@pytest.mark.parametrize(("rate", "expected"), [(100, 1.6), (400, 6.4), (1600, 25.7)])
def test_number_of_clipped_samples(rate, expected):
    counts = []
    for shift in np.arange(40) / 40 / rate:
        clipped = np.clip(_axes(24, rate, 0.5 + shift), -RANGE, RANGE)
        counts.append(clipping(clipped, rate, **(RULE | {"clip_share_of_range": 1.0})).samples)
    assert np.mean(counts) == pytest.approx(expected, abs=0.06)
    assert max(counts) - min(counts) <= 1


def test_negative_side_units_and_window():
    rate = 1000.0
    signal = -np.clip(_axes(24, rate), -RANGE, RANGE) * G
    found = clipping(signal, rate, **(RULE | {"full_scale": RANGE * G}))
    assert found.samples == pytest.approx(16, abs=1)
    assert found.samples_between(0, 499) == 0
    assert found.samples_between(500, 530) == found.samples
    assert found.samples_between(515, 515) == 1


def test_rounded_tops_below_full_scale_are_flat():
    # an on-chip filter: the top stays 2 % below full scale, flat within a step of the converter
    rate, step = 1000.0, 16.0 / 2**15
    top = np.clip(_axes(24, rate), -15.7, 15.7)
    top[1, 515] += step
    assert clipping(top, rate, **RULE, resolution=step).samples >= 15
    high_but_round = _axes(15.8, rate)
    assert clipping(high_but_round, rate, **RULE, resolution=step).samples == 0


def test_a_landing_within_the_range_is_not_clipped():
    found = clipping(_axes(12.0, 500.0), 500.0, **RULE)
    assert (found.samples, found.axes, found.duration_s) == (0, (), 0.0)
