"""Derivatives of analytic functions of real parameters.

Every evaluation of the deviance is analytic in its parameters, so the imaginary part of
f(x + i h) / h is the derivative, exact to rounding (complex-step method: Squire & Trapp 1998,
SIAM Rev 40:110). Hessians are differences of those gradients.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from analysis.mixed.design import Array

COMPLEX_STEP = 1e-30
CENTRAL_STEP = 1e-5
FORWARD_STEP = 1e-7


def value_and_gradient(function: Callable[[Array], complex], at: Array) -> tuple[float, Array]:
    """Return the value and the gradient; the value comes free with the first derivative."""
    values = np.array([function(_moved(at, j)) for j in range(at.size)])
    return float(np.real(values[0])), np.imag(values) / COMPLEX_STEP


def gradient(function: Callable[[Array], complex], at: Array) -> Array:
    """Return the gradient."""
    return value_and_gradient(function, at)[1]


def jacobian(function: Callable[[Array], Array], at: Array) -> Array:
    """Return the derivatives of an array-valued function; the last axis is the parameter."""
    columns = [np.imag(function(_moved(at, j))) / COMPLEX_STEP for j in range(at.size)]
    return np.stack(columns, axis=-1)


class Smooth(Protocol):
    """A function of real parameters with its gradient."""

    def value(self, at: Array) -> float:
        """Return the value."""

    def value_and_gradient(self, at: Array) -> tuple[float, Array]:
        """Return value and gradient."""


@dataclass(frozen=True)
class ComplexStep:
    """A smooth function whose gradient is that of an analytic function, by complex steps."""

    function: Callable[[Array], complex]

    def value(self, at: Array) -> float:
        """Return the value."""
        return float(np.real(self.function(at)))

    def value_and_gradient(self, at: Array) -> tuple[float, Array]:
        """Return value and gradient."""
        return value_and_gradient(self.function, at)


def forward_hessian(function: Smooth, at: Array, slope: Array) -> Array:
    """Return the Hessian by forward differences from a known gradient: good for Newton steps."""
    out = np.empty((at.size, at.size))
    for j in range(at.size):
        step = _difference(at, j, FORWARD_STEP)
        out[j] = (function.value_and_gradient(at + step)[1] - slope) / step[j]
    return 0.5 * (out + out.T)


def hessian(function: Callable[[Array], complex], at: Array) -> Array:
    """Return the Hessian by central differences of gradients: about nine digits."""
    out = np.empty((at.size, at.size))
    for j in range(at.size):
        step = _difference(at, j, CENTRAL_STEP)
        change = gradient(function, at + step) - gradient(function, at - step)
        out[j] = change / (2.0 * step[j])
    return 0.5 * (out + out.T)


def _moved(at: Array, j: int) -> Array:
    moved = at.astype(complex)
    moved[j] += 1j * COMPLEX_STEP
    return moved


def _difference(at: Array, j: int, relative: float) -> Array:
    step = np.zeros(at.size)
    step[j] = relative * max(abs(at[j]), 0.1)
    return step
