"""How far estimates are from measured forces, each number with its error over athletes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.agreement import Jackknife
from analysis.agreement.jackknife import Moments, jackknife, jackknife_of_logarithm
from analysis.force_model.inputs import Array


@dataclass(frozen=True)
class Scores:
    """Agreement of estimated (E) with measured (M) forces; errors by leaving out athletes.

    Attributes
    ----------
    rmse : root mean square of E - M, BW
    bias : mean of E - M, BW
    mape : mean of |E - M| / M, percent
    r_squared : 1 - sum (E - M)^2 / sum (M - mean M)^2; below 0, the mean would do better. Its
        interval is that of the logarithm of the unexplained share, its error by the delta method
    calibration_slope : slope of M on E; below 1, estimates are too far apart
    """

    rmse: Jackknife
    bias: Jackknife
    mape: Jackknife
    r_squared: Jackknife
    calibration_slope: Jackknife
    landings: int
    athletes: int


def _mean_square(moments: Moments) -> Array:
    spread = moments.variance_first + moments.variance_second - 2.0 * moments.covariance
    return np.maximum(spread, 0.0) + (moments.mean_first - moments.mean_second) ** 2


def _rmse(moments: Moments) -> Array:
    return np.sqrt(_mean_square(moments))


def _bias(moments: Moments) -> Array:
    return moments.mean_first - moments.mean_second


def _mean(moments: Moments) -> Array:
    return moments.mean_first


def _unexplained(moments: Moments) -> Array:
    return _mean_square(moments) / moments.variance_second


def _r_squared(estimated: Array, measured: Array, athlete: Array, level: float) -> Jackknife:
    """Return the explained share; on the scale of logarithms no limit passes one."""
    rest = jackknife_of_logarithm(_unexplained, estimated, measured, athlete, level)
    return Jackknife(
        1.0 - rest.value, rest.standard_error, rest.df, 1.0 - rest.high, 1.0 - rest.low
    )


def _slope(moments: Moments) -> Array:
    return moments.covariance / moments.variance_first


def _rise_of_rmse(moments: Moments) -> Array:
    return np.sqrt(moments.mean_first) - np.sqrt(moments.mean_second)


def scores_of(estimated: Array, measured: Array, athlete: Array, level: float = 0.95) -> Scores:
    """Return the scores of (n,) estimates.

    Raises
    ------
    ValueError
        Missing values, or fewer than three athletes.
    """
    percent = 100.0 * np.abs(estimated / measured - 1.0)
    return Scores(
        rmse=jackknife(_rmse, estimated, measured, athlete, level),
        bias=jackknife(_bias, estimated, measured, athlete, level),
        mape=jackknife(_mean, percent, percent, athlete, level),
        r_squared=_r_squared(estimated, measured, athlete, level),
        calibration_slope=jackknife(_slope, estimated, measured, athlete, level),
        landings=int(estimated.size),
        athletes=int(np.unique(athlete).size),
    )


def rise_of_rmse(
    estimated: Array, best: Array, measured: Array, athlete: Array, level: float = 0.95
) -> Jackknife:
    """Return the RMSE of `estimated` minus that of `best`, on the same landings."""
    squares = (estimated - measured) ** 2, (best - measured) ** 2
    return jackknife(_rise_of_rmse, *squares, athlete, level)
