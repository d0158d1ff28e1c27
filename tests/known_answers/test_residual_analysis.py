"""Residual analysis against closed forms: white noise alone, noise on sines, tails without noise.

The method is Winter's (Biomechanics and Motor Control of Human Movement); its answers here are
computed, not taken from the book.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.filtering.residual_analysis import (
    NotSuggested,
    Suggested,
    candidate_cutoffs,
    fit_tail,
    residual_rms,
    suggest_cutoff,
    white_noise_residual,
)
from shared.settings.load import load_settings
from shared.sources import ROOT

PROCESSING = load_settings(ROOT / "config").processing
SETTINGS = PROCESSING.residual_analysis
ORDER = PROCESSING.filtering.order_per_pass
RATES = [120.0, 200.0, 500.0, 1000.0]


def candidates(rate_hz):
    nyquist = 0.5 * rate_hz
    return candidate_cutoffs(
        SETTINGS.lowest_cutoff_hz, SETTINGS.tail_until_share * nyquist, SETTINGS.step_ratio
    )


def suggestion(rate_hz, residuals):
    cutoffs = candidates(rate_hz)
    return suggest_cutoff(
        cutoffs,
        residuals,
        white_noise_residual(cutoffs, rate_hz, ORDER),
        tail_from_hz=SETTINGS.tail_from_share * 0.5 * rate_hz,
        largest_misfit=SETTINGS.largest_tail_misfit,
        largest_fall=SETTINGS.largest_tail_fall,
    )


def curve(signals, rate_hz):
    """Mean residual over the signals, a second at each end left to settle."""
    end = round(rate_hz)
    lost = residual_rms(
        signals, rate_hz, candidates(rate_hz), order_per_pass=ORDER, window=slice(end, -end)
    )
    return lost.mean(axis=-1)


def test_candidates_rise_by_the_ratio_to_the_highest():
    cutoffs = candidate_cutoffs(2.0, 250.0, 1.1)
    assert cutoffs[-1] == 250.0
    assert 2.0 <= cutoffs[0] < 2.2
    assert np.allclose(cutoffs[1:] / cutoffs[:-1], 1.1)
    with pytest.raises(ValueError, match="the lowest must be above 0 and below the highest"):
        candidate_cutoffs(30.0, 25.0, 1.1)


@pytest.mark.parametrize("share", [0.1, 0.25, 1 / 3, 0.5, 0.75])
def test_a_line_that_touches_the_ideal_residual_overestimates_by_the_closed_form(share):
    # sigma sqrt(1 - x) and its tangent: three points close together give the tangent at x.
    x = share + np.array([-1e-4, 0.0, 1e-4])
    tail = fit_tail(x, np.sqrt(1.0 - x), np.sqrt(1.0 - x))
    expected = (1.0 - share / 2.0) / np.sqrt(1.0 - share)
    assert tail.intercept == pytest.approx(expected, rel=1e-6)
    assert tail.fall == pytest.approx(1.0)
    if share <= 1 / 3:
        assert expected <= 1.021


@pytest.mark.parametrize("rate_hz", RATES)
def test_white_noise_leaves_what_its_integral_says(rate_hz):
    # A second way: noise through the filter itself. Per cut-off the standard error is
    # 1 / sqrt(2 x 40 x samples), about 0.001 at 120 per second.
    noise = np.random.default_rng(20260601).normal(size=(40, round(8 * rate_hz)))
    expected = white_noise_residual(candidates(rate_hz), rate_hz, ORDER)
    assert curve(noise, rate_hz) == pytest.approx(expected, abs=0.008)


def test_the_line_of_the_settings_gives_0_967_of_white_noise_at_every_rate():
    # Stated in processing.yaml and the docstring; closed form, integrated.
    for rate_hz in RATES:
        cutoffs = candidates(rate_hz)
        white = white_noise_residual(cutoffs, rate_hz, ORDER)
        in_tail = cutoffs >= SETTINGS.tail_from_share * 0.5 * rate_hz
        tail = fit_tail(cutoffs[in_tail], white[in_tail], white[in_tail])
        assert tail.intercept == pytest.approx(0.967, abs=0.001)
        assert tail.misfit < 0.001


def test_the_integral_nears_the_ideal_filter_with_its_order():
    # Order without end is the ideal low-pass: sqrt(1 - x). The roll-off narrows as 1 / order.
    cutoffs = np.array([50.0, 100.0, 166.0])
    ideal = np.sqrt(1.0 - cutoffs / 500.0)
    distance = {
        order: np.abs(white_noise_residual(cutoffs, 1000.0, order) - ideal).max()
        for order in (8, 16, 32)
    }
    assert distance[16] == pytest.approx(distance[8] / 2.0, rel=0.05)
    assert distance[32] == pytest.approx(distance[8] / 4.0, rel=0.05)
    assert distance[32] < 0.01


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("sigma", [0.08, 0.8])
def test_noise_on_slow_sines_is_recovered_and_the_cutoff_balances_loss_and_noise(rate_hz, sigma):
    """Sines of 1 and 3 Hz, amplitudes 10 and 4, with white noise: all of it in closed form.

    A sine of amplitude A loses A (1 - gain) / sqrt(2), gain 1 / (1 + (w / w_d)^4); the expected
    suggestion is where that and the residual of the noise reach the expected intercept.
    """
    time = np.arange(round(20 * rate_hz)) / rate_hz
    sines = 10.0 * np.sin(2 * np.pi * time) + 4.0 * np.sin(2 * np.pi * 3.0 * time + 0.4)
    noise = np.random.default_rng(7).normal(scale=sigma, size=(12, len(time)))
    found = suggestion(rate_hz, curve(sines + noise, rate_hz))
    assert isinstance(found, Suggested)
    assert found.tail.intercept == pytest.approx(0.967 * sigma, rel=0.02)
    assert found.tail.fall == pytest.approx(1.0, abs=0.1)

    cutoffs = np.linspace(3.0, 30.0, 2701)
    # Far below Nyquist the frequency is not warped; combined -3 dB point: (sqrt(2) - 1)^(1/4).
    design = cutoffs / (np.sqrt(2.0) - 1.0) ** 0.25
    lost = sum(
        a**2 / 2 * (1.0 - 1.0 / (1.0 + (f / design) ** 4)) ** 2 for a, f in ((10, 1), (4, 3))
    )
    total = np.sqrt(lost + (sigma * white_noise_residual(cutoffs, rate_hz, ORDER)) ** 2)
    expected = cutoffs[np.flatnonzero(total <= 0.967 * sigma)[0]]
    assert found.cutoff_hz == pytest.approx(expected, rel=0.10)


@pytest.mark.parametrize("power", [1, 2, 3])
def test_a_residual_that_falls_as_a_power_of_the_cutoff_is_no_noise(power):
    found = suggestion(1000.0, 100.0 * candidates(1000.0) ** -float(power))
    assert isinstance(found, NotSuggested)
    assert found.reason == "tail_not_noise"
    assert "still loses signal" in found.detail


def test_an_impact_at_a_slow_rate_is_refused_and_at_a_fast_one_its_noise_is_found():
    # A half-sine of 20 ms, 8 g high, with noise of 0.01 g, once a second.
    def impacts(rate_hz):
        phase = np.arange(round(10 * rate_hz)) / rate_hz % 1.0
        shock = np.where(phase < 0.02, 8.0 * np.sin(np.pi * phase / 0.02), 0.0)
        return shock + np.random.default_rng(3).normal(scale=0.01, size=(8, len(phase)))

    slow = suggestion(200.0, curve(impacts(200.0), 200.0))
    assert isinstance(slow, NotSuggested)
    assert slow.reason == "tail_not_noise"
    fast = suggestion(8000.0, curve(impacts(8000.0), 8000.0))
    assert isinstance(fast, Suggested)
    assert fast.tail.intercept == pytest.approx(0.00967, rel=0.15)


def test_without_noise_there_is_nothing_to_tell():
    constant = np.full((1, 4000), 700.0)
    found = suggestion(1000.0, curve(constant, 1000.0))
    assert isinstance(found, NotSuggested)
    assert found.reason == "no_noise"


def test_noise_alone_crosses_nowhere_useful():
    white = white_noise_residual(candidates(1000.0), 1000.0, ORDER)
    found = suggestion(1000.0, white)
    # The residual of noise alone starts above its own line (0.967) and crosses at low cut-offs.
    assert isinstance(found, Suggested)
    assert found.cutoff_hz < 25.0
    above = np.r_[[0.9] * 5, white[5:]]
    found = suggestion(1000.0, above)
    assert isinstance(found, NotSuggested)
    assert found.reason == "no_crossing"


def test_two_points_are_no_tail():
    with pytest.raises(ValueError, match="a tail of 2 cut-offs tells no line"):
        fit_tail(np.array([1.0, 2.0]), np.array([2.0, 1.0]), np.array([2.0, 1.0]))
