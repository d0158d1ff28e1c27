"""Profile-likelihood intervals for variance parameters and fixed effects.

The deviance by ML, minimised over all other parameters at each value of the one in question, is
compared with its minimum: the interval holds the values whose deviance is within the chi-squared
quantile. A standard deviation whose deviance at zero is within it has the lower limit zero.
ML is used whatever the fit's method, because restricted likelihoods cannot be profiled over fixed
effects (Bates et al. 2015, J Stat Softw 67(1), section 5.1, do the same).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from analysis.mixed.derivatives import ComplexStep, Smooth, jacobian
from analysis.mixed.design import Array
from analysis.mixed.deviance import Problem, deviance_with_slopes, reduced_at
from analysis.mixed.fit import refit
from analysis.mixed.natural import NaturalLayout, Target, targets_of
from analysis.mixed.optimise import descend, polish
from analysis.mixed.result import MixedFit
from analysis.quantiles import quantile_of_chi_squared

DESCENT_GRADIENT = 1e-4
SEARCH_STEPS = 60


@dataclass(frozen=True)
class ProfileInterval:
    """A profile interval: what it is of, the ML estimate, limits (zero or +-1 at a boundary)."""

    term: str
    quantity: str
    estimate: float
    low: float
    high: float
    level: float


def profile_fixed_effects(
    fit: MixedFit, contrasts: ArrayLike | None = None, level: float = 0.95
) -> list[ProfileInterval]:
    """Return profile intervals of contrasts (m, p), by default of each fixed effect."""
    ml = refit(fit, "ML")
    size = ml.coefficients.size
    rows = np.eye(size) if contrasts is None else np.atleast_2d(np.asarray(contrasts, float))
    names = ml.fixed_names if contrasts is None else [f"contrast {k}" for k in range(len(rows))]
    return [_fixed_interval(ml, row, name, level) for row, name in zip(rows, names, strict=True)]


def profile_variance(fit: MixedFit, level: float = 0.95) -> list[ProfileInterval]:
    """Return profile intervals of every standard deviation and correlation."""
    ml = refit(fit, "ML")
    return [_variance_interval(ml, target, level) for target in targets_of(ml)]


def _fixed_interval(ml: MixedFit, contrast: Array, name: str, level: float) -> ProfileInterval:
    problem, scales = ml.problem, ml.problem.scales
    direction = scales.fixed.T @ contrast
    estimate = float(contrast @ ml.coefficients)
    error = float(np.sqrt(contrast @ ml.covariance @ contrast))
    rows = problem.rows

    def function_at(value: float) -> Smooth:
        standard = (value - float(contrast @ scales.offset)) / scales.response

        def deviance(parameters: Array) -> complex:
            at = reduced_at(problem, parameters)
            if at.unbounded:
                return float("inf")
            spread = direction @ np.linalg.solve(at.information, direction)
            squares = at.squares + (standard - direction @ at.coefficients) ** 2 / spread
            profiled = at.log_determinant + rows * (1.0 + np.log(2.0 * np.pi * squares / rows))
            return profiled + 2.0 * rows * np.log(scales.response)

        return ComplexStep(deviance)

    rise = _Rise(function_at, ml.parameters, ml.deviance, level)
    low = rise.cross(estimate, estimate - 2.0 * error, -np.inf)
    high = rise.cross(estimate, estimate + 2.0 * error, np.inf)
    return ProfileInterval("fixed", name, estimate, low, high, level)


def _variance_interval(ml: MixedFit, target: Target, level: float) -> ProfileInterval:
    problem = ml.problem
    layout = NaturalLayout.of(ml, target)
    start = layout.start(ml)
    estimate = layout.estimate(ml)

    def function_at(value: float) -> Smooth:
        return _HeldDeviance(problem, layout, value)

    rise = _Rise(function_at, start, ml.deviance, level)
    step = target.first_step(estimate, ml.sigma)
    low = rise.cross(estimate, estimate - step, target.lowest)
    high = rise.cross(estimate, estimate + step, target.highest)
    return ProfileInterval(target.term, target.quantity, estimate, low, high, level)


@dataclass(frozen=True)
class _HeldDeviance:
    """The deviance by ML in natural parameters, one of them held at a value."""

    problem: Problem
    layout: NaturalLayout
    held: float

    def value(self, free: Array) -> float:
        """Return the deviance."""
        return self._with_slopes(free)[0]

    def value_and_gradient(self, free: Array) -> tuple[float, Array]:
        """Return the deviance and its gradient, by the chain rule through the layout."""
        value, in_factors, in_ratios, in_sigma = self._with_slopes(free)
        inner = np.concatenate([*(slope.ravel() for slope in in_factors), in_ratios, [in_sigma]])
        return value, inner @ jacobian(self._flat, free)

    def _with_slopes(self, free: Array) -> tuple[float, list[Array], Array, float]:
        factors, log_ratios, sigma = self.layout.standardised(free, self.held)
        return deviance_with_slopes(self.problem, factors, log_ratios, float(sigma.real), "ML")

    def _flat(self, free: Array) -> Array:
        factors, log_ratios, sigma = self.layout.standardised(free, self.held)
        return np.concatenate([*(factor.ravel() for factor in factors), log_ratios, [sigma]])


class _Rise:
    """How far the profiled deviance lies above the level of the interval, value by value."""

    def __init__(
        self,
        function_at: Callable[[float], Smooth],
        start: Array,
        lowest: float,
        level: float,
    ) -> None:
        self.function_at = function_at
        self.start = self.warm = start
        self.known: dict[float, float] = {}
        self.lowest = lowest
        self.allowed = float(np.sqrt(quantile_of_chi_squared(level, 1)))

    def cross(self, estimate: float, first: float, bound: float) -> float:
        """Return where the signed root of the deviance crosses, or the bound when it does not."""
        if estimate == bound:
            return bound
        self.warm = self.start
        self.known = {estimate: -self.allowed}
        inner, outer = estimate, first
        for _ in range(SEARCH_STEPS):
            if (outer - bound) * (first - estimate) >= 0:
                outer = bound
            if self._root(outer) > 0:
                return float(brentq(self._root, inner, outer, xtol=1e-12, rtol=1e-8))
            if outer == bound:
                return bound
            inner, outer = outer, outer + 1.6 * (outer - inner)
        return float("inf") if first > estimate else float("-inf")

    def _root(self, value: float) -> float:
        if value not in self.known:
            height = self._height(value)
            self.known[value] = float(np.sqrt(max(height - self.lowest, 0.0))) - self.allowed
        return self.known[value]

    def _height(self, value: float) -> float:
        """Return the deviance at a value, minimised over the rest from where it was last."""
        function = self.function_at(value)
        if self.warm.size == 0:
            return function.value(self.warm)
        minimum = polish(function, self.warm)
        if not minimum.converged:
            again = polish(function, descend(function, self.start, DESCENT_GRADIENT))
            minimum = min(minimum, again, key=lambda found: found.value)
        self.warm = minimum.parameters
        return minimum.value
