"""Loading rates of a half-sine (DOMAIN 9.2) and the two peaks of a landing, at all rates.

Without a filter, from the true contact. Offset moves no slope; noise is stated at the end.
"""

import math

import numpy as np
import pytest
from scipy.signal import find_peaks

from pipeline.filtering.butterworth import zero_lag_lowpass
from pipeline.metrics.force import peak_force
from pipeline.metrics.loading_rate import (
    average_loading_rate,
    loading_rate_20_to_80_percent,
    peak_loading_rate,
)
from pipeline.metrics.outcome import Measured, Refused
from pipeline.metrics.peaks import prominence, two_peaks
from pipeline.reasons import Reason
from tests.known_answers.signals import WEIGHT, half_sine, sample_times

PEAK, WIDTH, START = 3.0 * WEIGHT, 0.100, 1.0
RATES = (100.0, 200.0, 500.0, 1000.0, 2000.0)
PEAKS = {
    "from_s": 0.015,
    "until_s": 0.100,
    "smallest_prominence_n": 0.2 * WEIGHT,
    "reach_s": 0.200,
}


def _rates(force, rate, contact=START):
    peak = peak_force(force, rate, contact=contact * rate, lowest=None, peak_force_s=0.2)
    place = {"contact": contact * rate, "body_weight_n": WEIGHT}
    return [
        function(force, peak, rate, **place)
        for function in (average_loading_rate, peak_loading_rate, loading_rate_20_to_80_percent)
    ]


def _pulse(rate, contact=START):
    return half_sine(sample_times(rate, 2.0) - contact, PEAK, WIDTH)


# DOMAIN 9.2: 2 F/T = 60.0, pi F/T = 94.24778 (94.186 by central difference at 1 kHz) and
# 2.5966 F/T = 77.8975 BW/s; the tolerance is what the rate allows
@pytest.mark.parametrize(
    ("rate", "tolerance"), [(100, 0.07), (200, 0.017), (500, 0.003), (1000, 1e-3), (2000, 3e-4)]
)
def test_three_loading_rates_of_a_half_sine(rate, tolerance):
    average, steepest, secant = _rates(_pulse(rate), rate)
    assert average.value == pytest.approx(60.0, rel=min(tolerance, 1e-3))
    assert steepest.value == pytest.approx(94.24778, rel=tolerance)
    assert secant.value == pytest.approx(77.8975, rel=tolerance)
    # what central differences make of a sine, sample by sample
    step = math.pi / (WIDTH * rate)
    assert steepest.value == pytest.approx(1.5 * rate * math.sin(2.0 * step), rel=1e-9)
    if rate == 1000:
        assert steepest.value == pytest.approx(94.186, abs=5e-4)
    # the convention of running, by time, is another number: 2.1401 F/T
    by_time = 3.0 * (math.sin(0.4 * math.pi) - math.sin(0.1 * math.pi)) / 0.03
    assert by_time == pytest.approx(2.1401 * 3.0 / WIDTH, rel=1e-4)
    assert abs(secant.value / by_time - 1.0) > 0.2


@pytest.mark.parametrize("fraction", [0.2, 0.5, 0.8])
def test_a_contact_between_two_samples(fraction):
    rate = 1000.0
    contact = START + fraction / rate
    _, steepest, secant = _rates(_pulse(rate, contact), rate, contact)
    assert steepest.value == pytest.approx(94.24778, rel=2e-3)
    assert secant.value == pytest.approx(77.8975, rel=1e-3)


def test_what_the_force_filter_does_to_the_steepest_slope():
    # DOMAIN 3.4: 94.2 unfiltered, 72, 78, 85, 94, 97 BW/s at 12, 15, 20, 50, 100 Hz
    rate = 1000.0
    force = _pulse(rate)
    for cutoff, expected in ((12, 72), (15, 78), (20, 85), (50, 94), (100, 97)):
        smooth = zero_lag_lowpass(force, rate, cutoff_hz=cutoff, order_per_pass=2)
        # a low cut-off moves the steepest place before the contact, so it is sought from there
        early = START - 0.03
        peak = peak_force(smooth, rate, contact=early * rate, lowest=None, peak_force_s=0.2)
        found = peak_loading_rate(
            smooth, peak, rate, contact=early * rate, body_weight_n=WEIGHT
        ).value
        assert found == pytest.approx(expected, abs=0.6), cutoff


def test_an_offset_moves_no_slope_and_noise_lifts_the_steepest():
    rate, rng = 1000.0, np.random.default_rng(3)
    force = _pulse(rate)
    peak = peak_force(force, rate, contact=START * rate, lowest=None, peak_force_s=0.2)
    place = {"contact": START * rate, "body_weight_n": WEIGHT}
    plain = peak_loading_rate(force, peak, rate, **place).value
    assert peak_loading_rate(force + 15.0, peak, rate, **place).value == pytest.approx(plain)
    errors = []
    for _ in range(200):
        noisy = force + rng.normal(0.0, 2.0, force.size)
        values = [outcome.value for outcome in _rates(noisy, rate)]
        errors.append(np.array(values) / (60.0, 94.24778, 77.8975) - 1.0)
    bias, spread = np.mean(errors, axis=0), np.std(errors, axis=0)
    # 2 N of noise on a plate: the largest of many noisy slopes is 2.7 % high, unfiltered
    assert abs(bias[0]) < 0.01
    assert bias[1] == pytest.approx(0.027, abs=0.01)
    assert abs(bias[2]) < 0.002
    assert (spread < (0.02, 0.02, 0.003)).all()  # found: 1.3, 1.2 and 0.2 %


def test_rates_that_cannot_be_told_are_refused():
    rate = 1000.0
    step = np.where(np.arange(2000) >= 1000, PEAK, 0.0)
    for outcome in _rates(step, rate, 0.9999):
        assert outcome.reason is Reason.OUT_OF_RANGE
    late = _pulse(rate)
    assert "above 20% of its peak at contact" in _rates(late, rate, 1.02)[2].detail


def _two(force, rate, contact=START, lowest=None):
    return two_peaks(force, rate, contact=contact * rate, lowest=lowest, **PEAKS)


def _toe_and_heel(time, first=0.025, second=0.060):
    """Two separate half-sines of 20 and 40 ms: their peaks are known."""
    toe = half_sine(time - (first - 0.010), 1.6 * WEIGHT, 0.020)
    return toe + half_sine(time - (second - 0.020), 4.0 * WEIGHT, 0.040)


@pytest.mark.parametrize(
    ("rate", "height", "time_ms"),
    [(100, 0.30, 3.0), (200, 0.08, 1.5), (500, 0.013, 0.5), (1000, 4e-3, 0.1), (2000, 1e-3, 0.05)],
)
@pytest.mark.parametrize("fraction", [0.0, 0.3])
def test_toe_and_heel_peak(rate, height, time_ms, fraction):
    contact = START + fraction / rate
    force = _toe_and_heel(sample_times(rate, 2.0) - contact)
    found = _two(force, rate, contact)
    for order, (bw, ms) in enumerate(((1.6, 25.0), (4.0, 60.0))):
        assert found.force_bw(order, WEIGHT).value == pytest.approx(bw, rel=height)
        assert found.time_ms(order, rate, contact * rate).value == pytest.approx(ms, abs=time_ms)
    window = found.force_bw(0, WEIGHT)
    assert window.first_sample == math.ceil(contact * rate)
    assert window.last_sample == math.floor((contact + 0.1) * rate)


def test_prominence_is_that_of_scipy():
    rng = np.random.default_rng(4)
    signal = np.cumsum(rng.normal(size=400))
    peaks, properties = find_peaks(signal, prominence=0.0)
    assert len(peaks) > 50
    for peak, expected in zip(peaks, properties["prominences"], strict=True):
        assert prominence(signal, int(peak)) == pytest.approx(expected, abs=1e-12)


def test_less_than_two_peaks_is_no_value_and_never_zero():
    rate, time = 1000.0, sample_times(1000.0, 2.0) - START
    flat = _two(_pulse(rate), rate)
    assert isinstance(flat, Refused)
    assert flat.reason is Reason.NO_FORCE_PEAKS
    assert "one separate peak" in flat.detail
    # a bump of less than 0.2 BW is no peak; ringing in the first 15 ms neither
    bump = _pulse(rate) + half_sine(time - 0.060, 0.19 * WEIGHT, 0.006)
    assert _two(bump, rate).reason is Reason.NO_FORCE_PEAKS
    ringing = _pulse(rate) + half_sine(time - 0.004, 2.0 * WEIGHT, 0.006)
    assert _two(ringing, rate).reason is Reason.NO_FORCE_PEAKS
    # a peak after the lowest point is propulsion
    both = _toe_and_heel(time)
    assert not isinstance(_two(both, rate), Refused)
    assert _two(both, rate, lowest=1055.0).reason is Reason.NO_FORCE_PEAKS
    assert "55 ms" in _two(both, rate, lowest=1055.0).detail
    assert _two(both[:1090], rate).reason is Reason.SHORT_RECORDING


def test_peaks_under_noise():
    rate, rng = 1000.0, np.random.default_rng(6)
    force = _toe_and_heel(sample_times(rate, 2.0) - START)
    for _ in range(50):
        smooth = zero_lag_lowpass(
            force + rng.normal(0.0, 2.0, force.size), rate, cutoff_hz=100.0, order_per_pass=2
        )
        found = _two(smooth, rate)
        # 100 Hz keep 99.9 % of a 20 ms peak on its own; the gap between both fills a little
        assert found.force_bw(0, WEIGHT).value == pytest.approx(1.6, rel=0.03)
        assert isinstance(found.time_ms(1, rate, START * rate), Measured)
        assert found.time_ms(1, rate, START * rate).value == pytest.approx(60.0, abs=1.0)
