"""Shares and percentiles of what was seen, with intervals that count athletes and not trials.

Trials of one athlete are not independent. The interval of a share is exact for the number of
independent trials that have the same variance (Korn & Graubard 1998, Survey Methodology 24:193);
that of a percentile is the interval of the share below it, read back from the values (Woodruff
1952, J Am Stat Assoc 47:635). No normal distribution is assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainccinv, betaincinv

from analysis.agreement.jackknife import Array, Moments, jackknife
from analysis.quantiles import quantile_of_normal, quantile_of_t


@dataclass(frozen=True)
class Observed:
    """A share or a percentile with its interval."""

    value: float
    low: float
    high: float


def _mean(moments: Moments) -> Array:
    return moments.mean_first


def observed_share(chosen: ArrayLike, athlete: ArrayLike, level: float = 0.95) -> Observed:
    """Return the share of (n,) trials that are chosen (true or false).

    Raises
    ------
    ValueError
        Fewer than three athletes, or labels that do not match the trials.
    """
    marks = np.asarray(chosen, dtype=float)
    found = jackknife(_mean, marks, marks, athlete, level)
    share = found.value
    if found.standard_error > 0.0:
        # Few athletes: their variance is known badly, and t is wider than the normal by as much.
        widened = quantile_of_t(0.5 + level / 2, found.df) / quantile_of_normal(0.5 + level / 2)
        independent = share * (1.0 - share) / (found.standard_error * widened) ** 2
        size = min(float(independent), float(marks.size))
    else:
        # All athletes have the same share: nothing tells how alike their trials are.
        size = found.df + 1.0
    seen, tail = share * size, (1.0 - level) / 2.0
    return Observed(
        value=share,
        low=float(betaincinv(seen, size - seen + 1.0, tail)) if share > 0.0 else 0.0,
        high=float(betainccinv(seen + 1.0, size - seen, tail)) if share < 1.0 else 1.0,
    )


def observed_percentile(
    values: ArrayLike, percent: float, athlete: ArrayLike, level: float = 0.95
) -> Observed:
    """Return a percentile of (n,) values; `percent` lies between 0 and 100.

    A limit of the interval never passes the smallest or largest value: with few trials beyond the
    percentile the interval is too short on that side.

    Raises
    ------
    ValueError
        Fewer than three athletes, or labels that do not match the values.
    """
    seen = np.asarray(values, dtype=float)
    value = float(np.percentile(seen, percent))
    share = observed_share(seen <= value, athlete, level)
    low, high = np.percentile(seen, [100.0 * share.low, 100.0 * share.high])
    return Observed(value, min(float(low), value), max(float(high), value))
