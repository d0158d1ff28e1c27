"""The dual-pass filter against its closed forms (DOMAIN 3.1, 3.2, 3.4 and 9.5)."""

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from pipeline.filtering.butterworth import design_frequency, pass_correction, zero_lag_lowpass
from pipeline.filtering.sampled import derivative
from tests.known_answers.signals import half_sine, sample_times

ORDER = 2


@pytest.mark.parametrize(("order", "expected"), [(1, 0.643594), (2, 0.802243), (4, 0.895680)])
def test_correction_for_two_passes(order, expected):
    # Winter, Biomechanics and Motor Control of Human Movement, 4th ed., p. 69: 0.802 for n = 2
    assert pass_correction(order) == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize(
    ("rate", "cutoff", "expected"),
    [(1000, 10, 12.4628), (1000, 100, 122.492), (100, 20, 23.4251), (200, 50, 56.9577)],
)
def test_pre_warped_design_frequency(rate, cutoff, expected):
    # closed form tan(pi f/fs)/C; figures computed from it, not published
    assert design_frequency(cutoff, rate, ORDER) == pytest.approx(expected, rel=5e-6)


def _amplitude(signal, rate, frequency):
    """Amplitude and phase by projection on sine and cosine over whole periods."""
    time = np.arange(len(signal)) / rate
    wave = np.exp(-2j * np.pi * frequency * time)
    return 2.0 * np.mean(signal * wave)


@pytest.mark.parametrize("rate", [100, 200, 500, 1000, 2000])
@pytest.mark.parametrize("share", [0.02, 0.1, 0.2, 0.3])
def test_gain_at_the_cutoff_is_minus_3_decibel_and_phase_is_zero(rate, share):
    cutoff = share * rate
    samples = int(2000 / share)
    time = np.arange(samples) / rate
    cosine = np.cos(2 * np.pi * cutoff * time)
    filtered = zero_lag_lowpass(cosine, rate, cutoff_hz=cutoff, order_per_pass=ORDER)
    periods = math.floor(samples / 2 * share)
    inner = slice(samples // 4, samples // 4 + round(periods / share))
    gain = _amplitude(filtered[inner], rate, cutoff) / _amplitude(cosine[inner], rate, cutoff)
    assert abs(gain) == pytest.approx(math.sqrt(0.5), abs=1e-6)
    assert np.angle(gain) == pytest.approx(0.0, abs=1e-6)


def test_uncorrected_dual_pass_would_be_half_at_its_cutoff():
    # the general-purpose library's own filter, once and squared: why a correction is needed
    sections = butter(ORDER, 20.0, fs=1000.0, output="sos")
    _, response = sosfreqz(sections, worN=[20.0], fs=1000.0)
    assert abs(response[0]) == pytest.approx(math.sqrt(0.5), abs=1e-9)
    assert abs(response[0]) ** 2 == pytest.approx(0.5, abs=1e-9)


# DOMAIN 3.2, computed from the closed form: peak of a unit half-sine after the filter
PEAKS = {
    0.020: {6: 0.208, 10: 0.336, 12: 0.396, 15: 0.480, 20: 0.602, 50: 0.951, 85: 0.998, 100: 0.999},
    0.050: {6: 0.480, 10: 0.703, 12: 0.783, 15: 0.870, 20: 0.951, 50: 0.999, 85: 1.00, 100: 1.00},
    0.100: {6: 0.783, 10: 0.951, 12: 0.980, 15: 0.996, 20: 0.999, 50: 1.00, 85: 1.00, 100: 1.00},
}


@pytest.mark.parametrize("width", sorted(PEAKS))
@pytest.mark.parametrize("cutoff", [6, 10, 12, 15, 20, 50, 85, 100])
def test_peak_of_a_half_sine_after_the_filter(width, cutoff):
    rate = 10_000.0
    pulse = half_sine(sample_times(rate, 4.0) - 2.0, 1.0, width)
    peak = zero_lag_lowpass(pulse, rate, cutoff_hz=cutoff, order_per_pass=ORDER).max()
    assert peak == pytest.approx(PEAKS[width][cutoff], abs=1.5e-3)


# DOMAIN 3.4: a 3 BW, 100 ms half-sine; the 20 N crossing (of 70 kg) moves earlier by so many ms
@pytest.mark.parametrize(
    ("cutoff", "earlier_ms", "slope"),
    [(12, 12, 72), (15, 9, 78), (20, 6, 85), (50, 2, 94), (100, 1, 97)],
)
def test_filter_smears_the_contact_backwards(cutoff, earlier_ms, slope):
    rate = 10_000.0
    pulse = half_sine(sample_times(rate, 2.1) - 1.0, 3.0, 0.100)
    filtered = zero_lag_lowpass(pulse, rate, cutoff_hz=cutoff, order_per_pass=ORDER)
    threshold = 20.0 / (70.0 * 9.80665)
    shift = np.argmax(pulse > threshold) - np.argmax(filtered > threshold)
    assert shift / rate * 1000 == pytest.approx(earlier_ms, abs=0.6)
    # the slope of the table is that of a central difference at 1000 Hz
    at_1000 = zero_lag_lowpass(pulse[::10], 1000.0, cutoff_hz=cutoff, order_per_pass=ORDER)
    assert derivative(at_1000, 1000.0).max() == pytest.approx(slope, abs=0.6)


def test_constant_area_and_symmetry_are_kept():
    rate = 1000.0
    pulse = half_sine(sample_times(rate, 4.0) - 1.95, 1.0, 0.100)
    filtered = zero_lag_lowpass(pulse, rate, cutoff_hz=15.0, order_per_pass=ORDER)
    assert filtered.sum() == pytest.approx(pulse.sum(), rel=1e-9)
    np.testing.assert_allclose(filtered, filtered[::-1], atol=1e-9)
    flat = zero_lag_lowpass(np.full(500, 7.5), rate, cutoff_hz=15.0, order_per_pass=ORDER)
    np.testing.assert_allclose(flat, 7.5, rtol=1e-12)


def test_a_stack_is_filtered_row_by_row():
    rng = np.random.default_rng(1)
    stack = rng.normal(size=(5, 800))
    together = zero_lag_lowpass(stack, 1000.0, cutoff_hz=50.0, order_per_pass=ORDER)
    alone = [zero_lag_lowpass(row, 1000.0, cutoff_hz=50.0, order_per_pass=ORDER) for row in stack]
    np.testing.assert_array_equal(together, np.array(alone))


@pytest.mark.parametrize("cutoff", [0.0, 50.0, 60.0])
def test_a_cutoff_beyond_half_the_rate_is_refused(cutoff):
    with pytest.raises(ValueError, match="below 50 Hz"):
        zero_lag_lowpass(np.zeros(1000), 100.0, cutoff_hz=cutoff, order_per_pass=ORDER)


def test_a_short_signal_and_missing_samples_are_refused():
    with pytest.raises(ValueError, match=r"150 samples is too short .* more than 150"):
        zero_lag_lowpass(np.zeros(150), 1000.0, cutoff_hz=20.0, order_per_pass=ORDER)
    broken = np.zeros(1000)
    broken[3] = np.nan
    with pytest.raises(ValueError, match="missing samples"):
        zero_lag_lowpass(broken, 1000.0, cutoff_hz=20.0, order_per_pass=ORDER)
