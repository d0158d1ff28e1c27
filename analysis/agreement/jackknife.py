"""Leave one athlete out: the error of statistics that depend on sums over pairs.

Trials of one athlete are not independent, so whole athletes are left out. A statistic of first and
second moments needs the sums of each athlete only, and all its leave-one-out values are one
evaluation on arrays. Jackknife of groups: Efron & Tibshirani 1993, chapter 11; for Deming's line:
Linnet 1993, Clin Chem 39:424.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.agreement.limits import paired_values
from analysis.quantiles import quantile_of_t

Array = NDArray[Any]


@dataclass(frozen=True)
class Moments:
    """Means and central moments (divided by the number of pairs) of pairs; scalars or arrays."""

    mean_first: Array
    mean_second: Array
    variance_first: Array
    variance_second: Array
    covariance: Array


@dataclass(frozen=True)
class Jackknife:
    """A statistic, its jackknife standard error, and its t interval with athletes - 1 df."""

    value: float
    standard_error: float
    df: int
    low: float
    high: float


SMALLEST_NUMBER = 3
"""Fewer athletes give no error worth a name: two degrees of freedom are the least here."""

Statistic = Callable[[Moments], Array]


def jackknife(
    statistic: Statistic,
    first: ArrayLike,
    second: ArrayLike,
    athlete: ArrayLike,
    level: float = 0.95,
) -> Jackknife:
    """Return a statistic of the moments of all pairs, with its error over athletes.

    Raises
    ------
    ValueError
        Missing values, fewer than three athletes, or labels that do not match the pairs.
    """
    one, two = paired_values(first, second)
    sums = _sums_by_athlete(one, two, athlete)
    total = sums.sum(axis=0)
    value = float(statistic(_moments(total[None, :]))[0])
    left_out = statistic(_moments(total - sums))
    n = len(sums)
    error = float(np.sqrt((n - 1) / n * np.sum((left_out - left_out.mean()) ** 2)))
    half = quantile_of_t(0.5 + level / 2, n - 1) * error
    return Jackknife(value, error, n - 1, value - half, value + half)


def jackknife_of_logarithm(
    statistic: Statistic,
    first: ArrayLike,
    second: ArrayLike,
    athlete: ArrayLike,
    level: float = 0.95,
) -> Jackknife:
    """Return a statistic that cannot be negative; its interval is that of its logarithm.

    No limit is below zero. The standard error is by the delta method. Errors as in `jackknife`.
    """

    def logarithm(moments: Moments) -> Array:
        # Zero has a logarithm too: that of the smallest number.
        return np.log(np.maximum(statistic(moments), np.finfo(float).tiny))

    found = jackknife(logarithm, first, second, athlete, level)
    value, low, high = (float(np.exp(log)) for log in (found.value, found.low, found.high))
    return Jackknife(value, value * found.standard_error, found.df, low, high)


def _sums_by_athlete(one: Array, two: Array, athlete: ArrayLike) -> Array:
    """Return (athletes, 8) sums: number, x, y, xx, yy, xy around an origin, and the origin."""
    labels = np.asarray(athlete)
    if labels.shape != one.shape:
        raise ValueError(f"{labels.shape} athlete labels for {one.size} pairs; give one per pair")
    _, codes = np.unique(labels, return_inverse=True)
    count = int(codes.max()) + 1
    if count < SMALLEST_NUMBER:
        raise ValueError(
            f"{count} athletes; an error over athletes needs at least {SMALLEST_NUMBER}"
        )
    # Products of large numbers would lose the digits of a small variance.
    origin = one.mean(), two.mean()
    x, y = one - origin[0], two - origin[1]
    columns = (np.ones_like(x), x, y, x * x, y * y, x * y)
    sums = np.column_stack([np.bincount(codes, column, minlength=count) for column in columns])
    return np.column_stack([sums, np.outer(sums[:, 0], origin)])


def _moments(sums: Array) -> Moments:
    n = sums[:, 0]
    x, y, xx, yy, xy, origin_x, origin_y = (sums[:, place] / n for place in range(1, 8))
    return Moments(x + origin_x, y + origin_y, xx - x * x, yy - y * y, xy - x * y)
