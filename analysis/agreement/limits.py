"""Limits of agreement of two methods, one pair per subject.

Bland & Altman 1986, Lancet i:307, and 1999, Stat Methods Med Res 8:135. Exact intervals of the
limits by the noncentral t distribution: Carkeet 2015, Optom Vis Sci 92:e71.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.quantiles import quantile_of_t

Interval = tuple[float, float]


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Bias and limits of agreement of first - second.

    Attributes
    ----------
    bias, deviation, n
        Mean and standard deviation of the differences, number of pairs.
    low, high
        bias -+ multiplier x deviation.
    bias_interval
        t interval of the bias.
    limit_error
        Standard error of a limit, s sqrt(1/n + z^2 / (2 (n - 1))).
    low_interval, high_interval
        limit -+ t x limit_error (Bland & Altman 1999, section 2.2).
    low_exact, high_exact
        Intervals of the limits by the noncentral t distribution.
    """

    bias: float
    deviation: float
    n: int
    multiplier: float
    low: float
    high: float
    bias_interval: Interval
    limit_error: float
    low_interval: Interval
    high_interval: Interval
    low_exact: Interval
    high_exact: Interval
    level: float


@dataclass(frozen=True)
class ProportionalBias:
    """Slope of the differences on the means of the pairs, with its t-test."""

    slope: float
    standard_error: float
    df: int
    statistic: float
    p_value: float


@dataclass(frozen=True)
class Repeatability:
    """Within-subject standard deviation of one method, and its repeatability coefficient."""

    within_deviation: float
    coefficient: float
    df: int


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, level: float = 0.95, multiplier: float = 1.96
) -> LimitsOfAgreement:
    """Return bias and limits of agreement; ValueError for missing values or fewer than 3 pairs."""
    from scipy.stats import nct

    one, two = paired_values(first, second)
    differences = one - two
    n = differences.size
    bias, deviation = float(differences.mean()), float(differences.std(ddof=1))
    t = quantile_of_t(0.5 + level / 2, n - 1)
    half = t * deviation / float(np.sqrt(n))
    error = deviation * float(np.sqrt(1.0 / n + multiplier**2 / (2.0 * (n - 1))))
    low, high = bias - multiplier * deviation, bias + multiplier * deviation
    noncentral = nct.ppf([0.5 - level / 2, 0.5 + level / 2], n - 1, multiplier * np.sqrt(n)) * (
        deviation / np.sqrt(n)
    )
    return LimitsOfAgreement(
        bias=bias,
        deviation=deviation,
        n=n,
        multiplier=multiplier,
        low=low,
        high=high,
        bias_interval=(bias - half, bias + half),
        limit_error=error,
        low_interval=(low - t * error, low + t * error),
        high_interval=(high - t * error, high + t * error),
        low_exact=(bias - float(noncentral[1]), bias - float(noncentral[0])),
        high_exact=(bias + float(noncentral[0]), bias + float(noncentral[1])),
        level=level,
    )


def recovered_limits(
    bias: float, half: float, deviation: float, bounds: tuple[float, float], multiplier: float
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
    """Return the limits, the interval of the lower one, and that of the upper one.

    The variances of bias and deviation are recovered from their own intervals (Zou 2013, Stat
    Methods Med Res 22:630).

    Parameters
    ----------
    half
        Half width of the interval of the bias.
    bounds
        Interval of the standard deviation of a difference.
    """
    reach = multiplier * deviation
    inward = float(np.hypot(half, multiplier * (deviation - bounds[0])))
    outward = float(np.hypot(half, multiplier * (bounds[1] - deviation)))
    low, high = bias - reach, bias + reach
    return (low, high), (low - outward, low + inward), (high - inward, high + outward)


def proportional_bias(first: ArrayLike, second: ArrayLike) -> ProportionalBias:
    """Return the regression of the differences on the means of the pairs.

    Raises
    ------
    ValueError
        Missing values, fewer than 3 pairs, equal means, or differences without scatter.
    """
    one, two = paired_values(first, second)
    means = (one + two) / 2.0
    if np.ptp(means) == 0.0:
        raise ValueError("all pairs have the same mean: a proportional bias cannot be estimated")
    from scipy.stats import linregress

    line = linregress(means, one - two)
    df = one.size - 2
    if not line.stderr > 0:
        raise ValueError(
            "the differences lie on a line exactly: the slope of a proportional bias has no error"
        )
    statistic = float(line.slope / line.stderr)
    return ProportionalBias(
        float(line.slope), float(line.stderr), df, statistic, float(line.pvalue)
    )


def repeatability(first: ArrayLike, second: ArrayLike) -> Repeatability:
    """Return the repeatability of one method from two readings per subject.

    The within-subject variance is sum(d^2) / (2 n), the mean difference taken as zero; the
    coefficient is two standard deviations of a difference (Bland & Altman 1986).
    """
    one, two = paired_values(first, second)
    within = float(np.sqrt(np.mean((one - two) ** 2) / 2.0))
    return Repeatability(within, 2.0 * within * float(np.sqrt(2.0)), one.size)


def paired_values(first: ArrayLike, second: ArrayLike) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return two equally long finite float arrays, or raise ValueError."""
    one, two = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if one.ndim != 1 or one.shape != two.shape or one.size < 3:
        raise ValueError(
            f"methods have shapes {one.shape} and {two.shape}; expected two equally long lists of "
            "at least 3 pairs"
        )
    bad = np.flatnonzero(~(np.isfinite(one) & np.isfinite(two)))
    if bad.size:
        raise ValueError(
            f"{bad.size} pairs have a missing or infinite value, the first is pair {bad[0]}; drop "
            "and report them"
        )
    return one, two
