"""Percent error of positive quantities, such as peaks: mean, root mean square, 95th percentile.

Common practice, no source; the mean tells the bias, the root mean square adds the scatter, the
percentile the size that 19 of 20 errors do not pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.agreement.jackknife import (
    Array,
    Jackknife,
    Moments,
    jackknife,
    jackknife_of_logarithm,
)
from analysis.agreement.limits import paired_values
from analysis.agreement.observed import Observed, observed_percentile

_PERCENTILE = 95.0


@dataclass(frozen=True)
class PercentError:
    """Error of a method in percent of the reference; intervals count athletes, not trials."""

    mean: Jackknife
    root_mean_square: Jackknife
    percentile_95: Observed


def percent_error(
    reference: ArrayLike, other: ArrayLike, athlete: ArrayLike, level: float = 0.95
) -> PercentError:
    """Return 100 (other - reference) / reference, summarised.

    Raises
    ------
    ValueError
        A reference value that is not positive, missing values, fewer than three athletes.
    """
    known, measured = paired_values(reference, other)
    if known.min() <= 0.0:
        raise ValueError(
            f"a percent error needs reference values above zero; the smallest is {known.min():g}"
        )
    errors = 100.0 * (measured - known) / known
    return PercentError(
        mean=jackknife(_mean, errors, errors, athlete, level),
        root_mean_square=jackknife_of_logarithm(_root_mean_square, errors, errors, athlete, level),
        percentile_95=observed_percentile(np.abs(errors), _PERCENTILE, athlete, level),
    )


def _mean(moments: Moments) -> Array:
    return moments.mean_first


def _root_mean_square(moments: Moments) -> Array:
    return np.sqrt(moments.variance_first + moments.mean_first**2)
