"""Concordance correlation coefficient (Lin 1989, Biometrics 45:255; correction 2000, 56:324)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.agreement.limits import paired_values
from analysis.quantiles import quantile_of_normal


@dataclass(frozen=True)
class Concordance:
    """Concordance correlation, interval by Fisher's z, and its two factors.

    `value` = `precision` (Pearson correlation) x `accuracy` (bias correction C_b);
    `scale_shift` and `location_shift` are the differences that accuracy measures.
    """

    value: float
    low: float
    high: float
    level: float
    precision: float
    accuracy: float
    scale_shift: float
    location_shift: float
    n: int


def concordance_correlation(
    first: ArrayLike, second: ArrayLike, level: float = 0.95
) -> Concordance:
    """Return the concordance of two methods, with moments divided by n as in Lin 1989."""
    one, two = paired_values(first, second)
    n = one.size
    variance_one, variance_two = float(one.var()), float(two.var())
    if variance_one == 0.0 or variance_two == 0.0:
        raise ValueError("one method has the same value for every subject: no concordance exists")
    covariance = float(np.mean((one - one.mean()) * (two - two.mean())))
    gap = float(one.mean() - two.mean())
    value = 2.0 * covariance / (variance_one + variance_two + gap**2)
    precision = covariance / float(np.sqrt(variance_one * variance_two))
    scale = float(np.sqrt(variance_one / variance_two))
    location = gap / float(np.sqrt(np.sqrt(variance_one * variance_two)))
    low, high = _interval(value, precision, location, n, level)
    return Concordance(
        value=value,
        low=low,
        high=high,
        level=level,
        precision=precision,
        accuracy=value / precision if precision != 0 else 0.0,
        scale_shift=scale,
        location_shift=location,
        n=n,
    )


def _interval(
    value: float, precision: float, location: float, n: int, level: float
) -> tuple[float, float]:
    if abs(value) >= 1.0 or precision == 0.0:
        return value, value
    r, u = precision, location
    variance = (
        (1.0 - r**2) * value**2 * (1.0 - value**2) / r**2
        + 2.0 * value**3 * (1.0 - value) * u**2 / r
        - 0.5 * value**4 * u**4 / r**2
    ) / (n - 2)
    error = np.sqrt(variance) / (1.0 - value**2)
    centre, half = np.arctanh(value), quantile_of_normal(0.5 + level / 2) * error
    return float(np.tanh(centre - half)), float(np.tanh(centre + half))
