"""Quantiles and upper tails of four distributions, equal to those of scipy.stats.

By the functions of scipy.special that scipy.stats itself calls: to import the latter takes longer
than most steps of an analysis, and each step is a process of its own.
"""

from __future__ import annotations

import math

from scipy import special


def quantile_of_normal(probability: float) -> float:
    """Return the value below which a standard normal variable lies with a probability."""
    return float(special.ndtri(probability))


def tail_of_normal(value: float) -> float:
    """Return the probability that a standard normal variable exceeds a value."""
    return float(special.ndtr(-value))


def quantile_of_t(probability: float, df: float) -> float:
    """Return a quantile of Student's distribution; degrees of freedom may be infinite."""
    if math.isinf(df):
        return quantile_of_normal(probability)
    return float(special.stdtrit(df, probability))


def tail_of_t(value: float, df: float) -> float:
    """Return the upper tail of Student's distribution; degrees of freedom may be infinite."""
    return tail_of_normal(value) if math.isinf(df) else float(special.stdtr(df, -value))


def quantile_of_chi_squared(probability: float, df: float) -> float:
    """Return a quantile of the chi-squared distribution."""
    return 2.0 * float(special.gammaincinv(df / 2, probability))


def tail_of_chi_squared(value: float, df: float) -> float:
    """Return the upper tail of the chi-squared distribution."""
    return 1.0 if value < 0 else float(special.chdtrc(df, value))


def quantile_of_f(probability: float, numerator: float, denominator: float) -> float:
    """Return a quantile of the F distribution."""
    return float(special.fdtri(numerator, denominator, probability))


def tail_of_f(value: float, numerator: float, denominator: float) -> float:
    """Return the upper tail of the F distribution."""
    return 1.0 if value < 0 else float(special.fdtrc(numerator, denominator, value))
