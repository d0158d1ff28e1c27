"""Impact at the waist against the closed forms of a half sine A sin(pi t / D)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.metrics.outcome import Measured, Refused
from pipeline.metrics.waist_impact import peak_waist_loading_rate, shock_duration, waist_impulse

AMPLITUDE_G, DURATION_S, START_S = 6.0, 0.08, 0.1003


def half_sine(rate_hz: float) -> tuple[np.ndarray, float]:
    time = np.arange(int(0.5 * rate_hz)) / rate_hz - START_S
    inside = (time >= 0.0) & (time <= DURATION_S)
    return np.where(inside, AMPLITUDE_G * np.sin(np.pi * time / DURATION_S), 0.0), START_S * rate_hz


@pytest.mark.parametrize("rate_hz", [200.0, 500.0, 1000.0])
def test_impulse_of_half_sine(rate_hz: float) -> None:
    """Closed form: A D / pi (1 - cos(pi T / D)), and 2 A D / pi over the whole pulse."""
    signal, contact = half_sine(rate_hz)
    part = waist_impulse(signal, rate_hz, contact=contact, window_s=0.05)
    whole = waist_impulse(signal, rate_hz, contact=contact, window_s=0.1)
    assert isinstance(part, Measured)
    assert isinstance(whole, Measured)
    unit = AMPLITUDE_G * DURATION_S / math.pi
    assert part.value == pytest.approx(unit * (1 - math.cos(math.pi * 0.05 / 0.08)), rel=0.01)
    assert whole.value == pytest.approx(2 * unit, rel=0.01)


@pytest.mark.parametrize("rate_hz", [200.0, 500.0, 1000.0])
def test_duration_of_half_sine(rate_hz: float) -> None:
    """Closed form: D (1 - 2 asin(c / A) / pi); no bound tighter than a tenth of a sample."""
    signal, contact = half_sine(rate_hz)
    found = shock_duration(signal, rate_hz, contact=contact, waist_peak_s=0.15, threshold_g=2.0)
    assert isinstance(found, Measured)
    expected = 1000 * DURATION_S * (1 - 2 * math.asin(2.0 / AMPLITUDE_G) / math.pi)
    assert found.value == pytest.approx(expected, abs=100.0 / rate_hz)


def test_loading_rate_of_half_sine() -> None:
    """Closed form: the steepest rise is A pi / D at contact."""
    signal, contact = half_sine(2000.0)
    found = peak_waist_loading_rate(signal, 2000.0, contact=contact, waist_peak_s=0.15)
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(AMPLITUDE_G * math.pi / DURATION_S, rel=0.01)


def test_a_window_beyond_the_recording_is_refused() -> None:
    signal, _ = half_sine(500.0)
    assert isinstance(waist_impulse(signal, 500.0, contact=230.0, window_s=0.1), Refused)
