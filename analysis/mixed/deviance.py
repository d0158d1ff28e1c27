"""The deviance (-2 log-likelihood) of a mixed model, by ML or REML.

Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), equations 34 and 39-42.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analysis.mixed.backwards import Reduction, reduction
from analysis.mixed.design import Array, MixedDesign
from analysis.mixed.parameters import Layout, layout_of
from analysis.mixed.reduction import (
    Statistics,
    reduce_to_fixed,
    statistics_with_response,
    sufficient_statistics,
)
from analysis.mixed.standardise import Scales, StandardForm, form_with_response, standard_form

Method = Literal["REML", "ML"]

# A residual deviation 1e-4 of the random one, or 1/150 of another stratum's, is no longer a
# residual: the random effects reproduce the data, and the likelihood grows without end.
LARGEST_FACTOR = 1e4
LARGEST_LOG_RATIO = 5.0


@dataclass(frozen=True)
class Problem:
    """A checked model with its sufficient statistics: all that an evaluation needs."""

    design: MixedDesign
    form: StandardForm
    statistics: Statistics
    layout: Layout

    @property
    def scales(self) -> Scales:
        """Maps from standardised quantities to units of the data."""
        return self.form.scales

    @property
    def rows(self) -> int:
        """Number of rows."""
        return self.design.response.shape[0]

    @property
    def fixed(self) -> int:
        """Number of fixed effects."""
        return self.design.fixed.shape[1]


@dataclass(frozen=True)
class Reduced:
    """What is left of the data at given variance parameters (standardised units).

    `log_determinant` is log |V / s^2|; `information` is (p, p) X' (V / s^2)^-1 X; `coefficients`
    (p,) the generalised least-squares solution; `squares` the weighted residual sum of squares.
    """

    log_determinant: complex
    information: Array
    coefficients: Array
    squares: complex

    @property
    def unbounded(self) -> bool:
        """Whether the parameters lie beyond the bounds, where there is no deviance."""
        return bool(np.isinf(np.real(self.squares)))


def problem_of(design: MixedDesign) -> Problem:
    """Return the model with its sufficient statistics."""
    form = standard_form(design)
    return Problem(design, form, sufficient_statistics(design, form), layout_of(design))


def with_response(problem: Problem, response: Array) -> Problem:
    """Return the same model for another outcome; only what depends on it is computed anew."""
    form = form_with_response(problem.form, response)
    return Problem(
        replace(problem.design, response=response),
        form,
        statistics_with_response(problem.statistics, form.response),
        problem.layout,
    )


def reduced(problem: Problem, factors: list[Array], log_ratios: Array) -> Reduced:
    """Return the reduction of the data at relative factors and residual log ratios.

    Beyond the bounds, where random effects or one stratum reproduce the data exactly and the
    likelihood has no maximum, the residual squares are infinite.
    """
    if _out_of_bounds(factors, log_ratios):
        fixed = problem.fixed
        return Reduced(0.0, np.eye(fixed), np.zeros(fixed), float("inf"))
    log_determinant, products = reduce_to_fixed(
        problem.statistics, factors, np.exp(-2.0 * log_ratios)
    )
    return _solved(problem, log_determinant, products, log_ratios)


def _solved(
    problem: Problem, log_determinant: complex, products: Array, log_ratios: Array
) -> Reduced:
    information = products[:-1, :-1]
    right = products[:-1, -1]
    coefficients = np.linalg.solve(information, right)
    return Reduced(
        log_determinant + 2.0 * np.sum(problem.statistics.sizes * log_ratios),
        information,
        coefficients,
        products[-1, -1] - right @ coefficients,
    )


def _out_of_bounds(factors: list[Array], log_ratios: Array) -> bool:
    largest = max(float(np.max(np.abs(factor))) for factor in factors)
    ratio = float(np.max(np.abs(np.real(log_ratios))))
    return not (largest < LARGEST_FACTOR and ratio < LARGEST_LOG_RATIO)


def reduced_at(problem: Problem, parameters: Array) -> Reduced:
    """Return the reduction of the data at a parameter vector."""
    layout = problem.layout
    return reduced(problem, layout.factors(parameters), layout.log_ratios(parameters))


def _profiled(problem: Problem, at: Reduced, method: Method) -> complex:
    """Return the deviance in units of the data, fixed effects and sigma profiled out."""
    free = _free(problem, method)
    unscaled = at.log_determinant + free * (1.0 + np.log(2.0 * np.pi * at.squares / free))
    return unscaled + _constant(problem, at, method)


@dataclass(frozen=True)
class ProfiledDeviance:
    """The deviance as a function of real variance parameters, with its gradient."""

    problem: Problem
    method: Method

    def value(self, parameters: Array) -> float:
        """Return the deviance, infinite beyond the bounds."""
        layout = self.problem.layout
        factors, log_ratios = layout.factors(parameters), layout.log_ratios(parameters)
        if _out_of_bounds(factors, log_ratios):
            return float("inf")
        at, _ = _real(self.problem, factors, log_ratios)
        return float(np.real(_profiled(self.problem, at, self.method)))

    def value_and_gradient(self, parameters: Array) -> tuple[float, Array]:
        """Return the deviance and its gradient; infinite and zeros beyond the bounds."""
        layout = self.problem.layout
        factors, log_ratios = layout.factors(parameters), layout.log_ratios(parameters)
        if _out_of_bounds(factors, log_ratios):
            return float("inf"), np.zeros(parameters.size)
        at, found = _real(self.problem, factors, log_ratios)
        weight = _free(self.problem, self.method) / float(np.real(at.squares))
        slopes = _slopes(self.problem, at, found, log_ratios, weight, self.method)
        value = float(np.real(_profiled(self.problem, at, self.method)))
        return value, layout.gradient(*slopes)


def deviance_with_slopes(
    problem: Problem, factors: list[Array], log_ratios: Array, sigma: float, method: Method
) -> tuple[float, list[Array], Array, float]:
    """Return the deviance at a given standardised residual sd and its slopes.

    They are those in each factor (q, q), each log ratio (strata,) and the residual sd; infinite
    and zeros beyond the bounds.
    """
    if _out_of_bounds(factors, log_ratios):
        return float("inf"), [0.0 * factor for factor in factors], 0.0 * log_ratios, 0.0
    at, found = _real(problem, factors, log_ratios)
    in_factors, in_ratios = _slopes(problem, at, found, log_ratios, sigma**-2, method)
    squares = float(np.real(at.squares))
    in_sigma = 2.0 * (_free(problem, method) - squares / sigma**2) / sigma
    value = float(np.real(deviance_of(problem, at, sigma, method)))
    return value, in_factors, in_ratios, in_sigma


def _real(problem: Problem, factors: list[Array], log_ratios: Array) -> tuple[Reduced, Reduction]:
    found = reduction(problem.statistics, factors, np.exp(-2.0 * log_ratios))
    return _solved(problem, found.log_determinant, found.products, log_ratios), found


def _slopes(
    problem: Problem,
    at: Reduced,
    found: Reduction,
    log_ratios: Array,
    weight: float,
    method: Method,
) -> tuple[list[Array], Array]:
    """Return slopes in each factor and log ratio of a deviance with this slope in the squares."""
    away = np.append(-at.coefficients, 1.0)
    slope = weight * np.outer(away, away)
    if method == "REML":
        slope[:-1, :-1] += np.linalg.inv(at.information)
    in_factors, in_weights = found.slopes(slope)
    return in_factors, 2.0 * (problem.statistics.sizes - np.exp(-2.0 * log_ratios) * in_weights)


def full_deviance(problem: Problem, parameters: Array, sigma: complex, method: Method) -> complex:
    """Return the deviance at a given standardised residual standard deviation."""
    return deviance_of(problem, reduced_at(problem, parameters), sigma, method)


def deviance_of(problem: Problem, at: Reduced, sigma: complex, method: Method) -> complex:
    """Return the deviance of a reduction at a given standardised residual sd."""
    if at.unbounded:
        return float("inf")
    free = _free(problem, method)
    unscaled = at.log_determinant + free * np.log(2.0 * np.pi * sigma**2) + at.squares / sigma**2
    return unscaled + _constant(problem, at, method)


def _free(problem: Problem, method: Method) -> int:
    """Return the rows, less one per fixed effect for REML."""
    return problem.rows - (problem.fixed if method == "REML" else 0)


def _constant(problem: Problem, at: Reduced, method: Method) -> complex:
    scales = problem.scales
    if method == "ML":
        return 2.0 * problem.rows * np.log(scales.response)
    free = problem.rows - problem.fixed
    return (
        _log_determinant(at.information)
        + 2.0 * scales.log_determinant
        + 2.0 * free * np.log(scales.response)
    )


def _log_determinant(matrix: Array) -> complex:
    sign, log = np.linalg.slogdet(matrix)
    return log + 1j * np.angle(sign) if matrix.dtype == complex else log
