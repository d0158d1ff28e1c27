"""Simulation and extrapolation (SIMEX): add more error of measurement, then look back to none.

A model is refitted with predictors to which error of lambda times the known variance was added;
the coefficients as a function of lambda are extrapolated to lambda = -1, where no error is left.
The quadratic extrapolation stays biased towards the naive value (known, not a fault of the code):
attenuation is a hyperbola in lambda, a parabola through it falls short. Where the covariance of the
measured predictors is known, `straightened` takes the hyperbola out first.

Sources: Cook and Stefanski 1994, J Am Stat Assoc 89:1314; Stefanski and Cook 1995, J Am Stat Assoc
90:1247 (variance by extrapolating the difference of mean model variance and variance of means).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

LAMBDAS = (0.5, 1.0, 1.5, 2.0)
NO_ERROR = -1.0

Refit = Callable[[Array], tuple[Array, Array]]
"""Predictors (n, p) -> coefficients (q,) and their covariance (q, q)."""


@dataclass(frozen=True)
class Simex:
    """Coefficients (q,) without error, their covariance (q, q), and the curve behind them.

    `grid` holds one row of coefficients per lambda, the first for lambda = 0 (naive); `failed`
    counts refits that gave no estimate and were left out; `simulation_error` (q,) is the standard
    error of the coefficients that the finite number of refits leaves. `of_means` has one (q, q)
    matrix per lambda: the covariance of the means in `grid`.
    """

    coefficients: Array
    covariance: Array
    lambdas: Array
    grid: Array
    failed: int
    simulation_error: Array
    of_means: Array


@dataclass(frozen=True)
class Straightened:
    """Coefficients (q,) without error, and the covariance (q, q) that the refits leave in them.

    `as_measured` (q,) are the coefficients that a measured predictor would have shown if regression
    calibration were exact: a correction of these gives `coefficients`.
    """

    coefficients: Array
    as_measured: Array
    simulation_covariance: Array


def quadratic_at(lambdas: Array, values: Array, where: float = NO_ERROR) -> Array:
    """Return the value at `where` of the parabola through (lambda, value), by least squares.

    `values` has one row per lambda; the result has the shape of a row.
    """
    powers = np.vander(lambdas, 3, increasing=True)
    flat = values.reshape(len(lambdas), -1)
    coefficients, *_ = np.linalg.lstsq(powers, flat, rcond=None)
    at = np.array([1.0, where, where**2]) @ coefficients
    return at.reshape(values.shape[1:])


def simex(
    predictors: Array,
    error_covariance: Array,
    refit: Refit,
    *,
    repeats: int,
    rng: np.random.Generator,
    lambdas: tuple[float, ...] = LAMBDAS,
) -> Simex:
    """Return coefficients and covariance extrapolated to predictors without error.

    Parameters
    ----------
    predictors
        Shape (n, p), measured with error.
    error_covariance
        Shape (p, p), covariance of the error of one athlete's predictors.
    refit
        Fits the model; raises `ValueError` (or a kind of it) where it has no estimate.
    repeats
        Refits per lambda.

    Raises
    ------
    ValueError
        Nothing is left to extrapolate: more than a tenth of the refits gave no estimate.
    """
    root = _root(error_covariance)
    naive, naive_covariance = refit(predictors)
    means, variances, failed = [naive], [naive_covariance], 0
    of_means = [np.zeros_like(naive_covariance)]
    for level in lambdas:
        fits = []
        for _ in range(repeats):
            noise = rng.standard_normal(predictors.shape) @ root.T
            try:
                fits.append(refit(predictors + np.sqrt(level) * noise))
            except ValueError:
                failed += 1
        if len(fits) < 0.9 * repeats:
            raise ValueError(
                f"with {level:g} times the error added, {repeats - len(fits)} of {repeats} refits "
                "gave no estimate: too few events for an extrapolation"
            )
        estimates = np.array([estimate for estimate, _ in fits])
        means.append(estimates.mean(axis=0))
        within = np.mean([covariance for _, covariance in fits], axis=0)
        between = np.atleast_2d(np.cov(estimates, rowvar=False))
        variances.append(within - between)
        of_means.append(between / len(estimates))
    steps = np.array([0.0, *lambdas])
    grid = np.array(means)
    # The parabola is linear in the means, so its weights carry their variances.
    weights = quadratic_at(steps, np.eye(len(steps)))
    return Simex(
        quadratic_at(steps, grid),
        quadratic_at(steps, np.array(variances)),
        steps,
        grid,
        failed,
        np.sqrt(weights**2 @ np.array([np.diag(each) for each in of_means])),
        np.array(of_means),
    )


def straightened(found: Simex, measured: Array, error: Array) -> Straightened:
    """Return the coefficients at no error, the known shape of attenuation taken out before.

    In a linear model (measured + lambda error) coefficients(lambda) is the same for every lambda;
    in a hazard model nearly so. A straight line through it is what is extrapolated. With refits of
    constant product this is regression calibration; the slope is what that leaves out. In one
    dimension the curve is the rational extrapolant of Cook and Stefanski with its pole where the
    error covariance puts it, hence free of its instability.

    Parameters
    ----------
    measured, error
        Shape (q, q): covariance of the measured predictors given the other columns, and of their
        error. Their difference must be positive definite.
    """
    line = np.vander(found.lambdas, 2, increasing=True)
    weights = np.array([1.0, NO_ERROR]) @ np.linalg.pinv(line)
    shapes = measured + found.lambdas[:, None, None] * error
    back = np.linalg.inv(measured - error)
    maps = back @ (weights[:, None, None] * shapes)
    coefficients = np.einsum("lij,lj->i", maps, found.grid)
    return Straightened(
        coefficients,
        np.linalg.solve(measured, (measured - error) @ coefficients),
        np.einsum("lij,ljk,lmk->im", maps, found.of_means, maps),
    )


def _root(covariance: Array) -> Array:
    """Return a square root; an error covariance may be singular (a predictor without error)."""
    values, vectors = np.linalg.eigh(np.atleast_2d(covariance))
    return vectors * np.sqrt(np.maximum(values, 0.0))
