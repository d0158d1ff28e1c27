"""Values between samples, integrals, derivatives, spells (DOMAIN 3.5, 3.7, 3.8)."""

import math

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from pipeline.filtering.sampled import (
    crossing_position,
    cumulative_integral,
    derivative,
    integral_between,
    peak_position,
    value_at,
)
from pipeline.filtering.spells import spells, spells_bridging
from tests.known_answers.signals import half_sine, sample_times


# DOMAIN 3.7: gain of the trapezoid for a sinusoid, (pi f/fs) cot(pi f/fs)
@pytest.mark.parametrize(
    ("frequency", "rate", "expected"),
    [(2, 100, 0.99868), (5, 100, 0.99176), (10, 100, 0.96688), (10, 1000, 0.99967)],
)
def test_gain_of_the_trapezoid(frequency, rate, expected):
    time = sample_times(rate, 10.0)
    omega = 2 * math.pi * frequency
    angle = cumulative_integral(omega * np.cos(omega * time), rate)
    gain = 2.0 * np.mean(angle[:-1] * np.sin(omega * time[:-1]))
    assert gain == pytest.approx(expected, abs=5e-6)
    share = math.pi * frequency / rate
    assert gain == pytest.approx(share / math.tan(share), abs=1e-12)


def test_cumulative_integral_is_that_of_the_general_library():
    rng = np.random.default_rng(3)
    stack = rng.normal(size=(3, 200))
    expected = cumulative_trapezoid(stack, dx=1 / 250.0, axis=-1, initial=0.0)
    np.testing.assert_allclose(cumulative_integral(stack, 250.0), expected, atol=1e-13)


@pytest.mark.parametrize(
    ("first", "last"), [(0, 9), (0.5, 0.75), (1.2, 1.9), (2.0, 2.0), (1.5, 7.25), (3, 7), (0, 0.1)]
)
def test_integral_of_a_straight_line_between_any_positions(first, last):
    line = 3.0 + 2.0 * np.arange(10.0)
    exact = (3.0 * (last - first) + (last**2 - first**2)) / 100.0
    assert integral_between(line, 100.0, first, last) == pytest.approx(exact, abs=1e-13)


def test_positions_outside_and_backward_integrals_are_refused():
    with pytest.raises(ValueError, match="outside of samples 0 to 9"):
        integral_between(np.zeros(10), 100.0, 3.0, 9.5)
    with pytest.raises(ValueError, match="outside"):
        value_at(np.zeros(10), -0.1)
    with pytest.raises(ValueError, match="before its start"):
        integral_between(np.zeros(10), 100.0, 3.0, 2.0)


def test_values_and_crossings_between_samples():
    signal = np.array([0.0, 10.0, 30.0, 10.0])
    assert value_at(signal, 1.25) == 15.0
    assert value_at(signal, 3.0) == 10.0
    assert crossing_position(signal, 2, 20.0) == 1.5
    assert crossing_position(signal, 3, 25.0) == 2.25
    assert crossing_position(signal, 0, 5.0) == 0.0


def test_central_difference_of_the_half_sine():
    # DOMAIN 9.2: pi F/T = 94.24778 BW/s, by central difference at 1000 Hz 94.186
    pulse = half_sine(sample_times(1000.0, 0.3) - 0.1, 3.0, 0.100)
    # the steepest sample is one after contact, where the difference still spans two in the pulse
    assert derivative(pulse, 1000.0).max() == pytest.approx(94.186, abs=5e-3)
    slope = derivative(half_sine(sample_times(1e5, 0.3) - 0.1, 3.0, 0.100), 1e5).max()
    assert slope == pytest.approx(math.pi * 3.0 / 0.1, rel=1e-5)


@pytest.mark.parametrize("offset", [-0.49, -0.2, 0.0, 0.3, 0.49])
def test_the_vertex_finds_a_peak_between_samples(offset):
    signal = 5.0 - (np.arange(11) - 5.0 - offset) ** 2
    assert peak_position(signal, int(np.argmax(signal))) == pytest.approx(5.0 + offset, abs=1e-12)


def test_flat_tops_and_ends_have_no_vertex():
    assert peak_position(np.array([1.0, 1.0, 1.0]), 1) == 1.0
    assert peak_position(np.array([3.0, 1.0, 0.0]), 0) == 0.0


# DOMAIN 3.5: worst-case loss of a sampled half-sine peak, 1 - cos(pi (0.5/fs)/T)
@pytest.mark.parametrize(
    ("width", "rate", "loss"),
    [
        (0.020, 100, 0.293), (0.020, 200, 0.076), (0.020, 400, 0.019), (0.020, 800, 0.0048),
        (0.020, 1000, 0.0031), (0.020, 1600, 0.0012), (0.050, 100, 0.049), (0.050, 200, 0.012),
        (0.100, 100, 0.012), (0.100, 1000, 0.0001),
    ],
)  # fmt: skip
def test_loss_of_a_sampled_peak(width, rate, loss):
    # a peak halfway between two samples
    contact = 1.0 + (0.5 / rate) - (width / 2) % (1 / rate)
    pulse = half_sine(sample_times(rate, 3.0) - contact, 1.0, width)
    assert 1.0 - pulse.max() == pytest.approx(loss, rel=0.06, abs=5e-5)
    sample = int(np.argmax(pulse))
    assert abs(peak_position(pulse, sample) / rate - (contact + width / 2)) < 0.02 / rate + 1e-9


def test_spells_and_bridged_spells():
    mask = np.array([1, 1, 0, 1, 0, 0, 0, 1, 1, 0, 1], dtype=bool)
    starts, ends = spells(mask)
    assert starts.tolist() == [0, 3, 7, 10]
    assert ends.tolist() == [2, 4, 9, 11]
    starts, ends = spells_bridging(mask, 2)
    assert starts.tolist() == [0, 7]
    assert ends.tolist() == [4, 11]
    for empty in (np.zeros(5, dtype=bool), np.zeros(0, dtype=bool)):
        assert spells(empty)[0].tolist() == []
    assert spells(np.ones(3, dtype=bool))[1].tolist() == [3]
