"""One answer from several completed data sets: Rubin's rules, degrees of freedom of Barnard-Rubin.

Sources: Rubin 1987, Multiple Imputation for Nonresponse in Surveys; Barnard and Rubin 1999,
Biometrika 86:948 (degrees of freedom that never exceed those of the complete data); Li, Meng,
Raghunathan & Rubin 1991, Stat Sinica 1:65 (tests of several degrees of freedom, known by their
statistics only).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.quantiles import tail_of_chi_squared, tail_of_f

Array = NDArray[Any]


@dataclass(frozen=True)
class Pooled:
    """Estimate, variance, degrees of freedom, and the share of the variance that gaps brought."""

    estimate: float
    variance: float
    df: float
    missing_information: float
    data_sets: int

    @property
    def standard_error(self) -> float:
        """Square root of the variance."""
        return math.sqrt(self.variance)

    @property
    def fraction_of_missing_information(self) -> float:
        """Share of the information that was missing, which counts the finite number of data sets.

        Rubin 1987, equation 3.1.10: (r + 2 / (df + 3)) / (r + 1), with r the odds of
        `missing_information` and df = (data sets - 1) / `missing_information`^2. With the degrees
        of freedom of Barnard and Rubin in their place, a small study would show missing information
        where nothing is missing. Zero where the data sets do not differ.
        """
        share = self.missing_information
        if share == 0.0:
            return 0.0
        odds = share / (1.0 - share)
        df = (self.data_sets - 1) / share**2
        return (odds + 2.0 / (df + 3.0)) / (odds + 1.0)


def barnard_rubin_df(imputations: int, between: float, total: float, complete_df: float) -> float:
    """Return the degrees of freedom of a pooled estimate.

    Parameters
    ----------
    imputations
        Number of completed data sets, at least two.
    between, total
        Variance between the estimates, and total variance.
    complete_df
        Degrees of freedom without missing values; infinite in a large sample.
    """
    share = (1.0 + 1.0 / imputations) * between / total
    if share <= 0.0:
        return complete_df
    old = (imputations - 1) / share**2
    if math.isinf(complete_df):
        return old
    observed = (complete_df + 1.0) / (complete_df + 3.0) * complete_df * (1.0 - share)
    return old * observed / (old + observed)


def pool(estimates: ArrayLike, variances: ArrayLike, complete_df: float = math.inf) -> Pooled:
    """Pool one coefficient over completed data sets.

    Parameters
    ----------
    estimates, variances
        Shape (imputations,): estimate and squared standard error in each completed data set.

    Raises
    ------
    ValueError
        Fewer than two data sets, or a value that is not finite (a fit that failed must be dealt
        with before: left out silently it would bias the answer).
    """
    estimates, variances = np.asarray(estimates, float), np.asarray(variances, float)
    count = len(estimates)
    if count < 2:
        raise ValueError("at least two completed data sets are needed to know their spread")
    if not (np.isfinite(estimates).all() and np.isfinite(variances).all()):
        raise ValueError("a completed data set has no finite estimate; see why before pooling")
    between = float(estimates.var(ddof=1))
    total = float(variances.mean()) + (1.0 + 1.0 / count) * between
    share = (1.0 + 1.0 / count) * between / total if total > 0.0 else 0.0
    df = barnard_rubin_df(count, between, total, complete_df) if total > 0.0 else complete_df
    return Pooled(float(estimates.mean()), total, df, share, count)


@dataclass(frozen=True)
class PooledTest:
    """F test that stands for a chi-squared test of each completed data set."""

    statistic: float
    df: float
    denominator_df: float
    p: float


def pool_chi_squared(statistics: ArrayLike, df: float) -> PooledTest:
    """Pool chi-squared statistics of `df` degrees of freedom over completed data sets.

    Li, Meng, Raghunathan & Rubin 1991 (their D2; formulas by memory): with d the statistics,
    r = (1 + 1/m) var(sqrt d), D = (mean d / df - (m + 1) / (m - 1) r) / (1 + r), held against F
    with df and df^(-3/m) (m - 1) (1 + 1/r)^2 degrees of freedom. It is approximate: the statistics
    alone say less than the estimates. A negative D, which chance allows, counts as zero.

    Parameters
    ----------
    statistics
        Shape (imputations,), at least two.

    Raises
    ------
    ValueError
        Fewer than two statistics, or one that is negative or not finite.
    """
    values = np.asarray(statistics, float)
    count = len(values)
    if count < 2 or not (np.isfinite(values).all() and (values >= 0).all()):
        raise ValueError("at least two finite statistics that are not negative are needed")
    spread = (1 + 1 / count) * float(np.sqrt(values).var(ddof=1))
    mean = float(values.mean()) / df
    found = max(0.0, (mean - (count + 1) / (count - 1) * spread) / (1 + spread))
    if spread == 0.0:
        return PooledTest(found, df, math.inf, tail_of_chi_squared(found * df, df))
    denominator = df ** (-3 / count) * (count - 1) * (1 + 1 / spread) ** 2
    return PooledTest(found, df, denominator, tail_of_f(found, df, denominator))
