"""Gaps and the common sampling rate."""

from fractions import Fraction

import numpy as np
import pytest
from scipy.signal import resample_poly

from pipeline.filtering.gaps import (
    bridge_gaps,
    missing_stretches,
    on_regular_grid,
    unusable_gaps,
)
from pipeline.filtering.resampling import decimated
from shared.sampling_rates import ratio_to
from tests.known_answers.signals import half_sine, sample_times


def test_missing_rows_leave_their_slots():
    slots = np.delete(np.arange(1001), [100, 400, 401, 402])
    regular = on_regular_grid(np.arange(997, dtype=float), slots)
    assert len(regular) == 1001
    gaps = missing_stretches(regular)
    assert [(gap.first, gap.end) for gap in gaps] == [(100, 101), (400, 403)]
    stack = on_regular_grid(np.ones((3, 997)), slots)
    assert missing_stretches(stack) == gaps


def test_straight_lines_bridge_gaps_and_ends_stay_level():
    signal = np.arange(10.0)
    broken = signal.copy()
    broken[[0, 4, 5, 9]] = np.nan
    expected = signal.copy()
    expected[[0, 9]] = (1.0, 8.0)
    np.testing.assert_allclose(bridge_gaps(broken), expected)
    assert np.isnan(broken[4])  # the input is not touched
    np.testing.assert_allclose(bridge_gaps(np.vstack([broken, signal]))[1], signal)
    with pytest.raises(ValueError, match="no samples at all"):
        bridge_gaps(np.full(5, np.nan))


def test_which_gaps_may_not_be_bridged():
    signal = np.zeros(3000)
    signal[[100, 101]] = np.nan  # short, far from contact
    signal[200:203] = np.nan  # too long
    signal[1040] = np.nan  # 40 ms after contact
    signal[1051] = np.nan  # 51 ms after contact
    gaps = missing_stretches(signal)
    bad = unusable_gaps(gaps, (1000.0,), 1000.0, maximum_gap_samples=2, gap_guard_s=0.05)
    assert [(gap.first, gap.end) for gap in bad] == [(200, 203), (1040, 1041)]
    assert missing_stretches(np.zeros(10)) == ()


@pytest.mark.parametrize(("rate", "common"), [(1000.0, 500.0), (500.0, 200.0), (1000.0, 200.0)])
def test_common_rate_keeps_instants_and_slow_peaks(rate, common):
    pulse = half_sine(sample_times(rate, 4.0) - 2.0, 3.0, 0.100) + 1.0
    (slow,) = decimated(pulse[np.newaxis], ratio_to(common, rate))
    time = np.arange(len(slow)) / common
    assert slow.max() == pytest.approx(4.0, rel=5e-3)
    assert time[np.argmax(slow)] == pytest.approx(2.05, abs=0.5 / common)
    np.testing.assert_allclose(slow[time < 1.8], 1.0, atol=2e-3)


def test_frequencies_above_the_new_limit_do_not_fold():
    time = sample_times(1000.0, 4.0)
    fast = np.sin(2 * np.pi * 180.0 * time)  # would show as 20 Hz at 200 samples per second
    slow = decimated(np.vstack([fast, fast]), ratio_to(200.0, 1000.0))
    assert slow.shape == (2, 801)
    assert np.abs(slow[:, 100:-100]).max() < 0.01
    assert np.abs(fast[::5][100:-100]).max() > 0.5  # what plain picking would give


@pytest.mark.parametrize("samples", [1, 7, 160, 1013])
@pytest.mark.parametrize(("rate", "common"), [(1000.0, 500.0), (1000.0, 200.0), (500.0, 200.0)])
def test_decimation_is_that_of_the_reference_library(rate, common, samples):
    """scipy.signal.resample_poly, an independent implementation of the same filter."""
    signals = np.random.default_rng(3).normal(size=(3, samples)) + 9.81
    ratio = ratio_to(common, rate)
    expected = resample_poly(signals, ratio.numerator, ratio.denominator, axis=1, padtype="edge")
    np.testing.assert_allclose(decimated(signals, ratio), expected, rtol=1e-13)


def test_a_rate_is_never_raised():
    same = np.zeros((1, 10))
    np.testing.assert_array_equal(decimated(same, ratio_to(200.0, 200.0)), same)
    with pytest.raises(ValueError, match="must be lower"):
        decimated(same, ratio_to(500.0, 200.0))
    with pytest.raises(ValueError, match="no small ratio"):
        ratio_to(970.0, 1000.0)


def test_a_clock_that_runs_slow_keeps_its_own_time():
    assert ratio_to(500.0, 999.2) == ratio_to(500.0, 1000.0) == Fraction(1, 2)
    assert ratio_to(200.0, 501.1) == Fraction(2, 5)
