"""Times and rates of the knee against closed forms of a raised-cosine landing (DOMAIN 9.6)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.metrics.knee_timing import (
    knee_flexion_rate_at_contact,
    mean_knee_flexion_rate,
    time_to_peak_knee_flexion,
)
from pipeline.metrics.outcome import Measured, Refused

EXCURSION_DEG, DURATION_S, CONTACT_S = 60.0, 0.25, 0.5037


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0, 1000.0])
def test_raised_cosine(rate_hz: float) -> None:
    """Peak after D; mean rate E/2 (1 - cos(pi T/D)) / T; plus a constant rate at contact."""
    time = np.arange(int(1.2 * rate_hz)) / rate_hz - CONTACT_S
    inside = np.clip(time / DURATION_S, 0.0, 2.0)
    angle = np.radians(EXCURSION_DEG / 2 * (1 - np.cos(np.pi * inside)))
    rate = np.radians(EXCURSION_DEG / 2 * np.pi / DURATION_S) * np.sin(np.pi * inside)
    contact = CONTACT_S * rate_hz
    peak = time_to_peak_knee_flexion(angle, rate_hz, contact=contact, end=contact + 0.4 * rate_hz)
    mean = mean_knee_flexion_rate(rate, rate_hz, contact=contact, window_s=0.1)
    assert isinstance(peak, Measured)
    assert isinstance(mean, Measured)
    assert peak.value == pytest.approx(1000 * DURATION_S, abs=0.5)
    expected = EXCURSION_DEG / 2 * (1 - math.cos(math.pi * 0.1 / DURATION_S)) / 0.1
    assert mean.value == pytest.approx(expected, rel=0.01)


def test_rate_at_contact_lies_on_the_line_between_samples() -> None:
    found = knee_flexion_rate_at_contact(np.radians([0.0, 100.0, 300.0]), contact=1.25)
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(150.0)


def test_a_window_beyond_the_recording_is_refused() -> None:
    found = mean_knee_flexion_rate(np.zeros(20), 100.0, contact=15.0, window_s=0.1)
    assert isinstance(found, Refused)
