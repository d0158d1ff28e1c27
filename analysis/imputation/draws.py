"""Random draws that fill a gap: from a normal regression, above a bound, or from a donor.

Sources: Rubin 1987, Multiple Imputation for Nonresponse in Surveys, p. 167 (proper draw of a
normal regression); Little 1988, J Bus Econ Stat 6:287 (predictive mean matching), with matching of
observed predictions by the estimate and missing ones by the draw (van Buuren 2018, Flexible
Imputation of Missing Data, algorithm 3.3, by memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtri_exp

from analysis.imputation.errors import ImputationError

Array = NDArray[np.float64]

FEWEST_RESIDUAL_DF = 3
"""With two or fewer the predictive t distribution of a filled value has no variance."""

RANK_TOLERANCE = 1e-8
"""Smallest diagonal of the triangle, of its largest, of columns scaled to unit length."""


@dataclass(frozen=True)
class RegressionDraw:
    """One draw from the posterior of a normal regression under the usual flat prior.

    Attributes
    ----------
    estimate : (p,) least squares
    coefficients : (p,) drawn
    sigma : drawn standard deviation of the residuals
    """

    estimate: Array
    coefficients: Array
    sigma: float


def full_rank(matrix: Array) -> bool:
    """Tell whether no column of (n, p) is a combination of the others."""
    if matrix.shape[0] < matrix.shape[1]:
        return False
    lengths = np.sqrt((matrix**2).sum(axis=0))
    if not (lengths > 0).all():
        return False
    diagonal = np.abs(np.diag(np.linalg.qr(matrix / lengths, mode="r")))
    return bool(diagonal.min() > RANK_TOLERANCE * diagonal.max())


def draw_regression(
    matrix: Array, response: Array, random: np.random.Generator, name: str = "the variable"
) -> RegressionDraw:
    """Draw residual variance and coefficients of `response` on `matrix`.

    The variance is the residual sum of squares over a chi-squared draw; the coefficients are then
    normal around least squares.

    Parameters
    ----------
    matrix
        (n, p), the intercept among its columns.
    response
        (n,)
    name
        Of the response, for messages.

    Raises
    ------
    ImputationError
        Too few rows for the columns, collinear columns, or a response that is fitted exactly.
    """
    rows, columns = matrix.shape
    if rows - columns < FEWEST_RESIDUAL_DF:
        raise ImputationError(
            f"{name}: {rows} athletes have a value, but an imputation model of {columns} columns "
            f"needs at least {columns + FEWEST_RESIDUAL_DF}; leave out auxiliary columns"
        )
    if not full_rank(matrix):
        raise ImputationError(
            f"{name}: among the athletes with a value, one column of its imputation model is a "
            "combination of the others, so that a missing value would be a guess beyond the data "
            "(a site without any value, an event that only athletes without value had)"
        )
    q, triangle = np.linalg.qr(matrix)
    estimate = np.linalg.solve(triangle, q.T @ response)
    residual = response - matrix @ estimate
    squares = float(residual @ residual)
    spread = float(((response - response.mean()) ** 2).sum())
    if not squares > 1e-20 * max(spread, np.finfo(float).tiny):
        raise ImputationError(
            f"{name}: its imputation model fits the values exactly, so that nothing is left of "
            "their scatter; two columns are the same measurement"
        )
    sigma = float(np.sqrt(squares / random.chisquare(rows - columns)))
    noise = np.linalg.solve(triangle, random.standard_normal(columns))
    return RegressionDraw(estimate, estimate + sigma * noise, sigma)


def draw_above(
    mean: Array, sigma: float, lower: Array, random: np.random.Generator
) -> NDArray[Any]:
    """Return draws of a normal distribution above a bound, by its inverse upper tail.

    On the scale of logarithms, so that a bound far out in the tail stays exact.

    Parameters
    ----------
    mean, lower
        (n,); a bound of minus infinity leaves the normal distribution whole.
    """
    # 1 - u is in (0, 1]: a draw of exactly 0 would lie at infinity.
    uniform = np.log(1.0 - random.random(len(mean)))
    tail = log_ndtr(-(lower - mean) / sigma)
    drawn = mean - sigma * ndtri_exp(uniform + tail)
    return np.maximum(drawn, lower)


def draw_donors(
    observed: Array,
    predicted_observed: Array,
    predicted_missing: Array,
    donors: int,
    random: np.random.Generator,
) -> NDArray[Any]:
    """Return for each missing value that of a donor: one of the nearest by prediction, at random.

    Parameters
    ----------
    observed, predicted_observed
        (n,) values and predictions of the athletes with a value.
    predicted_missing
        (m,) predictions of the others.
    donors
        How many of the nearest may give their value; those at equal distance in the order of rows.

    Raises
    ------
    ImputationError
        Fewer athletes with a value than donors.
    """
    if len(observed) < donors:
        raise ImputationError(f"{len(observed)} athletes have a value, but {donors} donors are set")
    distance = np.abs(predicted_missing[:, None] - predicted_observed[None, :])
    nearest = np.argsort(distance, axis=1, kind="stable")[:, :donors]
    chosen = random.integers(donors, size=len(predicted_missing))
    return observed[nearest[np.arange(len(chosen)), chosen]]
