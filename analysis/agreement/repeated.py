"""Limits of agreement when each subject is measured several times.

Bland & Altman 1999, Stat Methods Med Res 8:135, section 5, and 2007, J Biopharm Stat 17:571.
Intervals of the limits: Zou 2013, Stat Methods Med Res 22:630 (recovery of variance estimates).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.agreement.limits import paired_values, recovered_limits
from analysis.quantiles import quantile_of_chi_squared, quantile_of_normal


@dataclass(frozen=True)
class RepeatedLimits:
    """Bias, standard deviation of a single difference, its parts, and limits with intervals."""

    bias: float
    deviation: float
    between_variance: float
    within_variance: float
    low: float
    high: float
    low_interval: tuple[float, float]
    high_interval: tuple[float, float]
    subjects: int
    pairs: int
    level: float


def limits_varying_truth(
    first: ArrayLike,
    second: ArrayLike,
    subject: ArrayLike,
    level: float = 0.95,
    multiplier: float = 1.96,
) -> RepeatedLimits:
    """Return limits for pairs taken at the same moment, the true value varying between pairs.

    One-way analysis of variance of the differences: a single difference varies by the sum of the
    between-subject and within-subject variances; numbers of pairs may differ. A negative
    between-subject estimate counts as zero. Bias is the mean of all differences.
    """
    one, two = paired_values(first, second)
    differences = one - two
    codes, sizes = _subjects(subject, one.size)
    if one.size == sizes.size:
        raise ValueError("every subject has one pair; use limits_of_agreement")
    n, pairs = sizes.size, one.size
    means = np.bincount(codes, weights=differences) / sizes
    bias = float(differences.mean())
    between_square = float(np.sum(sizes * (means - bias) ** 2) / (n - 1))
    within = float(np.sum((differences - means[codes]) ** 2) / (pairs - n))
    divisor = (pairs**2 - float(np.sum(sizes**2))) / ((n - 1) * pairs)
    between = max((between_square - within) / divisor, 0.0)
    harmonic = n / float(np.sum(1.0 / sizes))
    return _limits(
        bias,
        between,
        [(within, (1.0 - 1.0 / harmonic), pairs - n)],
        float(np.var(means, ddof=1)),
        within,
        (n, pairs),
        (level, multiplier),
    )


def limits_constant_truth(
    first: tuple[ArrayLike, ArrayLike],
    second: tuple[ArrayLike, ArrayLike],
    level: float = 0.95,
    multiplier: float = 1.96,
) -> RepeatedLimits:
    """Return limits for replicates of a constant true value, not paired between the methods.

    Each method is given as (values, subject). A single difference varies by the variance of the
    differences of the subjects' means plus (1 - 1/m) of each method's within-subject variance
    (Bland & Altman 1999, equation 5.3, with the harmonic mean number of replicates m).
    """
    summaries = [_method(np.asarray(v, dtype=float), s) for v, s in (first, second)]
    (labels, means, within, harmonic, df), (other, means2, within2, harmonic2, df2) = summaries
    if not np.array_equal(labels, other):
        raise ValueError("the two methods measured different subjects; keep the common ones")
    differences = means - means2
    n = labels.size
    of_means = float(np.var(differences, ddof=1))
    between = max(of_means - within / harmonic - within2 / harmonic2, 0.0)
    return _limits(
        float(differences.mean()),
        between,
        [(within, 1.0 - 1.0 / harmonic, df), (within2, 1.0 - 1.0 / harmonic2, df2)],
        of_means,
        within + within2,
        (n, df + df2 + 2 * n),
        (level, multiplier),
    )


def _limits(
    bias: float,
    between: float,
    parts: list[tuple[float, float, int]],
    of_means: float,
    within: float,
    counts: tuple[int, int],
    settings: tuple[float, float],
) -> RepeatedLimits:
    """Combine the variance of subject means with weighted within-subject variances.

    The variance of a single difference is S_means + sum w_j S_j, a sum of independent mean
    squares; its limits, and those of bias +- z SD, follow from the limits of each part.
    """
    n, pairs = counts
    level, multiplier = settings
    total = between + within
    squares = [(of_means, 1.0, n - 1), *parts]
    alpha = 1.0 - level
    down = sum(
        (w * s * (1.0 - df / quantile_of_chi_squared(1.0 - alpha / 2, df))) ** 2
        for s, w, df in squares
    )
    up = sum(
        (w * s * (df / quantile_of_chi_squared(alpha / 2, df) - 1.0)) ** 2 for s, w, df in squares
    )
    deviation = float(np.sqrt(total))
    smallest = float(np.sqrt(max(total - np.sqrt(down), 0.0)))
    largest = float(np.sqrt(total + np.sqrt(up)))
    half = quantile_of_normal(1.0 - alpha / 2) * float(np.sqrt(of_means / n))
    (low, high), low_interval, high_interval = recovered_limits(
        bias, half, deviation, (smallest, largest), multiplier
    )
    return RepeatedLimits(
        bias=bias,
        deviation=deviation,
        between_variance=between,
        within_variance=within,
        low=low,
        high=high,
        low_interval=low_interval,
        high_interval=high_interval,
        subjects=n,
        pairs=pairs,
        level=level,
    )


def _method(
    values: NDArray[Any], subject: ArrayLike
) -> tuple[NDArray[Any], NDArray[Any], float, float, int]:
    """Return subject labels, means, within variance, harmonic mean replicates and its df."""
    if values.ndim != 1 or not np.all(np.isfinite(values)):
        raise ValueError("replicates must be a list of finite values; drop and report gaps")
    labels = np.unique(np.asarray(subject))
    codes, sizes = _subjects(subject, values.size)
    df = values.size - sizes.size
    if df == 0:
        raise ValueError("every subject has one reading; a within-subject variance needs repeats")
    means = np.bincount(codes, weights=values) / sizes
    within = float(np.sum((values - means[codes]) ** 2) / df)
    return labels, means, within, sizes.size / float(np.sum(1.0 / sizes)), df


def _subjects(subject: ArrayLike, rows: int) -> tuple[NDArray[Any], NDArray[Any]]:
    labels = np.asarray(subject)
    if labels.shape != (rows,):
        raise ValueError(f"{labels.shape} subject labels for {rows} rows; give one per row")
    _, codes = np.unique(labels, return_inverse=True)
    sizes = np.bincount(codes)
    if sizes.size < 3:
        raise ValueError(f"{sizes.size} subjects; limits of agreement need at least 3")
    return codes, sizes
