"""What many redrawn studies say about an estimator: bias, coverage, type-I error, with errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

COVERAGE_BAND = (0.93, 0.97)
LEVEL_BAND = (0.04, 0.06)
MONTE_CARLO_QUANTILE = 1.96


@dataclass(frozen=True)
class Found:
    """Estimates (k,) of one study, their standard errors and limits.

    `se` is NaN where the interval is not built from a standard error.
    """

    estimate: Array
    se: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class Summary:
    """One method in one cell; arrays (k,), one number per effect.

    Attributes
    ----------
    runs, failed : studies analysed, and those without estimate (left out of the rest)
    bias, bias_error : mean estimate minus target, and its Monte-Carlo standard error
    median_bias : median estimate minus target (few events: the mean follows rare large ones)
    spread, mean_se : standard deviation of the estimates, and root of the mean squared errors
    coverage, rejected : shares of intervals that hold the target, and that leave out zero
    """

    runs: int
    failed: int
    bias: Array
    bias_error: Array
    median_bias: Array
    spread: Array
    mean_se: Array
    coverage: Array
    rejected: Array

    @property
    def share_error(self) -> Array:
        """(k,) Monte-Carlo standard error of the coverage."""
        return share_error(self.coverage, self.runs - self.failed)


def share_error(share: Array, runs: int) -> Array:
    """Return the Monte-Carlo standard error of a share; of 0 or 1 as if one run were otherwise."""
    inside = np.clip(share, 1 / runs, 1 - 1 / runs)
    return np.sqrt(inside * (1 - inside) / runs)


def summarise(found: Sequence[Found], runs: int, target: Array) -> Summary:
    """Return the summary of a method; `runs` counts the failed ones too.

    Raises
    ------
    ValueError
        No study has an estimate.
    """
    if not found:
        raise ValueError(f"none of {runs} studies has an estimate")
    estimates = np.array([each.estimate for each in found])
    low, high = np.array([each.low for each in found]), np.array([each.high for each in found])
    spread = estimates.std(axis=0, ddof=1)
    return Summary(
        runs=runs,
        failed=runs - len(found),
        bias=estimates.mean(axis=0) - target,
        bias_error=spread / np.sqrt(len(found)),
        median_bias=np.median(estimates, axis=0) - target,
        spread=spread,
        mean_se=np.sqrt(np.mean(np.square([each.se for each in found]), axis=0)),
        # A limit that could not be followed (NaN) is an open end, as the report prints it.
        coverage=(~(low > target) & ~(high < target)).mean(axis=0),
        rejected=((low > 0) | (high < 0)).mean(axis=0),
    )


def outside(share: float, runs: int, band: tuple[float, float]) -> bool:
    """Return whether a share lies outside its band by more than chance (Monte-Carlo, 95 %)."""
    error = MONTE_CARLO_QUANTILE * float(share_error(np.array(share), runs))
    return share + error < band[0] or share - error > band[1]
