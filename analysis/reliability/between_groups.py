"""Variance between a few groups whose means are known with error, such as sites.

With three groups a variance component of a mixed model has no usable standard error; the quadratic
form of the contrasts has an exact distribution given their covariance. The estimate sets it to its
expectation (Paule & Mandel 1982, J Res Natl Bur Stand 87:377), the limits to its quantiles
(Q-profile: Viechtbauer 2007, Stat Med 26:37).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from analysis.quantiles import quantile_of_chi_squared


@dataclass(frozen=True)
class BetweenGroups:
    """Variance between groups with its interval; each may be zero."""

    variance: float
    low: float
    high: float
    groups: int


def variance_between_groups(
    contrasts: ArrayLike, covariance: ArrayLike, level: float = 0.95
) -> BetweenGroups:
    """Return the variance between g groups from their contrasts.

    Parameters
    ----------
    contrasts
        (g - 1,) means of the other groups minus that of the first.
    covariance
        (g - 1, g - 1) of these, as if it were known.

    Raises
    ------
    ValueError
        There is one group only, or the covariance is not positive definite.
    """
    found = np.atleast_1d(np.asarray(contrasts, dtype=float))
    error = np.atleast_2d(np.asarray(covariance, dtype=float))
    if found.size == 0:
        raise ValueError("one group has no variance between groups")
    if np.linalg.eigvalsh(error).min() <= 0.0:
        raise ValueError("the covariance of the contrasts is not positive definite")
    # Contrasts to a common group share its deviation: variance times (identity + ones).
    shape = np.eye(found.size) + 1.0
    tail = (1.0 - level) / 2.0
    return BetweenGroups(
        variance=_solve(found, error, shape, float(found.size)),
        low=_solve(found, error, shape, quantile_of_chi_squared(1.0 - tail, found.size)),
        high=_solve(found, error, shape, quantile_of_chi_squared(tail, found.size)),
        groups=found.size + 1,
    )


def _solve(
    contrasts: NDArray[Any], error: NDArray[Any], shape: NDArray[Any], wanted: float
) -> float:
    """Return the variance at which the quadratic form falls to `wanted`, 0 if it starts below."""

    def excess(variance: float) -> float:
        total = error + variance * shape
        return float(contrasts @ np.linalg.solve(total, contrasts)) - wanted

    if excess(0.0) <= 0.0:
        return 0.0
    high = float(np.max(np.diag(error)))
    while excess(high) > 0.0:
        high *= 4.0
    return float(brentq(excess, 0.0, high, xtol=1e-14 * high, rtol=1e-12))
