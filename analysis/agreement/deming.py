"""Deming regression: a straight line between two methods that both err.

Deming 1943; Cornbleet & Gochman 1979, Clin Chem 25:432; errors by jackknife: Linnet 1993, Clin Chem
39:424, here over athletes, because the trials of one athlete are not independent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.agreement.jackknife import Array, Jackknife, Moments, jackknife


@dataclass(frozen=True)
class DemingLine:
    """second = intercept + slope x first, with errors by jackknife over athletes."""

    slope: Jackknife
    intercept: Jackknife
    error_ratio: float


def deming_regression(
    reference: ArrayLike,
    other: ArrayLike,
    athlete: ArrayLike,
    error_ratio: float = 1.0,
    level: float = 0.95,
) -> DemingLine:
    """Return the line other = intercept + slope x reference.

    Parameters
    ----------
    error_ratio
        Variance of the errors of `other` over that of `reference`: 1 gives orthogonal regression,
        a large value ordinary regression on the reference, a small one the inverse regression.

    Raises
    ------
    ValueError
        A ratio that is not positive, no covariance, fewer than three athletes, missing values.
    """
    if not error_ratio > 0:
        raise ValueError(f"the ratio of error variances is {error_ratio}; expected above zero")

    def slope(moments: Moments) -> Array:
        return deming_slope(moments, error_ratio)

    def intercept(moments: Moments) -> Array:
        return moments.mean_second - slope(moments) * moments.mean_first

    return DemingLine(
        slope=jackknife(slope, reference, other, athlete, level),
        intercept=jackknife(intercept, reference, other, athlete, level),
        error_ratio=error_ratio,
    )


def deming_slope(moments: Moments, error_ratio: float) -> Array:
    """Return the slope of second on first from moments; ValueError without covariance."""
    if np.any(moments.covariance == 0.0):
        raise ValueError("the methods do not vary together: no line exists")
    excess = moments.variance_second - error_ratio * moments.variance_first
    root = np.sqrt(excess**2 + 4.0 * error_ratio * moments.covariance**2)
    # Two forms of one root; each loses no digits on its side of zero.
    large = (excess + root) / (2.0 * moments.covariance)
    small = 2.0 * error_ratio * moments.covariance / (root - excess)
    return np.where(excess >= 0.0, large, small)


def error_variance_ratio(
    reference: tuple[ArrayLike, ArrayLike], other: tuple[ArrayLike, ArrayLike]
) -> float:
    """Return the ratio of error variances (other over reference) from replicates.

    Each method is given as (values, subject): repeated readings of a value that stays the same. The
    trials of a jump are no replicates, because the jump itself varies.
    """
    return _within_variance(*other) / _within_variance(*reference)


def _within_variance(values: ArrayLike, subject: ArrayLike) -> float:
    readings = np.asarray(values, dtype=float)
    _, codes = np.unique(np.asarray(subject), return_inverse=True)
    sizes = np.bincount(codes)
    df = readings.size - sizes.size
    if codes.shape != readings.shape or not np.all(np.isfinite(readings)) or df < 1:
        raise ValueError("replicates need finite values, one subject each, some subjects twice")
    within = float(np.sum((readings - (np.bincount(codes, readings) / sizes)[codes]) ** 2) / df)
    if within == 0.0:
        raise ValueError("the replicates do not differ: an error variance of zero has no ratio")
    return within
