"""The six intraclass correlations of Shrout & Fleiss 1979 (Psychol Bull 86:420), with intervals.

(1, .) raters differ between subjects; (2, .) random raters, absolute agreement; (3, .) fixed
raters, consistency. (., 1) one rating, (., k) the mean of k.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from numpy.typing import ArrayLike

from analysis.quantiles import quantile_of_f, tail_of_f
from analysis.reliability.mean_squares import MeanSquares, two_way_mean_squares
from analysis.reliability.trials import reliability_of_mean


@dataclass(frozen=True)
class IntraclassCorrelation:
    """One coefficient, its interval, and the F test that it is zero."""

    form: str
    value: float
    low: float
    high: float
    level: float
    statistic: float
    df: tuple[int, int]
    p_value: float


def intraclass_correlations(
    scores: ArrayLike, level: float = 0.95
) -> dict[str, IntraclassCorrelation]:
    """Return the six coefficients of an (n, k) table, keyed "ICC(1,1)" to "ICC(3,k)".

    The interval of ICC(2,k) is the Spearman-Brown step-up of the limits of ICC(2,1); for the
    interval of McGraw & Wong 1996 see `average_agreement_interval`.
    """
    squares = _squares_that_vary(scores)
    singles = {
        "1": (_one_way(squares), _one_way_limits(squares, level)),
        "2": (_agreement(squares), _agreement_limits(squares, level)),
        "3": (_consistency(squares), _consistency_limits(squares, level)),
    }
    out: dict[str, IntraclassCorrelation] = {}
    k = squares.raters_count
    for form, (value, (low, high)) in singles.items():
        statistic, df = _f_test(squares, form)
        p_value = tail_of_f(statistic, *df)
        tail = (level, statistic, df, p_value)
        out[f"ICC({form},1)"] = IntraclassCorrelation(f"ICC({form},1)", value, low, high, *tail)
        out[f"ICC({form},k)"] = IntraclassCorrelation(
            f"ICC({form},k)",
            reliability_of_mean(value, k),
            reliability_of_mean(low, k),
            reliability_of_mean(high, k),
            *tail,
        )
    return out


def average_agreement_interval(scores: ArrayLike, level: float = 0.95) -> tuple[float, float]:
    """Return the interval of ICC(2,k) by McGraw & Wong 1996 (Psychol Methods 1:30), table 7.

    The lower limit is -infinity where the data set none: the raters differ less than their error
    explains and subjects hardly differ.
    """
    squares = _squares_that_vary(scores)
    n, k = squares.subjects, squares.raters_count
    if squares.error == 0.0 and squares.raters == 0.0:
        return 1.0, 1.0
    value = reliability_of_mean(_agreement(squares), k)
    a = k * value / (n * (1.0 - value))
    b = 1.0 + k * value * (n - 1) / (n * (1.0 - value))
    top = (a * squares.raters + b * squares.error) ** 2
    bottom = (a * squares.raters) ** 2 / (k - 1) + (b * squares.error) ** 2 / ((n - 1) * (k - 1))
    v = top / bottom
    lower = quantile_of_f(0.5 + level / 2, n - 1, v)
    upper = quantile_of_f(0.5 + level / 2, v, n - 1)
    between, raters, error = squares.between, squares.raters, squares.error
    below, above = lower * (raters - error) + n * between, raters - error + n * upper * between
    return (
        n * (between - lower * error) / below if below > 0 else -math.inf,
        n * (upper * between - error) / above if above > 0 else -math.inf,
    )


def _squares_that_vary(scores: ArrayLike) -> MeanSquares:
    squares = two_way_mean_squares(scores)
    if squares.between == 0.0 and squares.error == 0.0:
        raise ValueError(
            "no subject differs from another: a reliability is not defined without variation"
        )
    return squares


def _one_way(s: MeanSquares) -> float:
    return (s.between - s.within) / (s.between + (s.raters_count - 1) * s.within)


def _agreement(s: MeanSquares) -> float:
    k, n = s.raters_count, s.subjects
    return (s.between - s.error) / (s.between + (k - 1) * s.error + k * (s.raters - s.error) / n)


def _consistency(s: MeanSquares) -> float:
    return (s.between - s.error) / (s.between + (s.raters_count - 1) * s.error)


def _f_test(s: MeanSquares, form: str) -> tuple[float, tuple[int, int]]:
    n, k = s.subjects, s.raters_count
    bottom, df = (s.within, n * (k - 1)) if form == "1" else (s.error, (n - 1) * (k - 1))
    return (s.between / bottom if bottom > 0 else float("inf")), (n - 1, df)


def _one_way_limits(s: MeanSquares, level: float) -> tuple[float, float]:
    return _ratio_limits(s, s.within, s.subjects * (s.raters_count - 1), level)


def _consistency_limits(s: MeanSquares, level: float) -> tuple[float, float]:
    return _ratio_limits(s, s.error, (s.subjects - 1) * (s.raters_count - 1), level)


def _ratio_limits(s: MeanSquares, bottom: float, df: int, level: float) -> tuple[float, float]:
    if bottom == 0.0:
        return 1.0, 1.0
    n, k = s.subjects, s.raters_count
    ratio = s.between / bottom
    low = ratio / quantile_of_f(0.5 + level / 2, n - 1, df)
    high = ratio * quantile_of_f(0.5 + level / 2, df, n - 1)
    return (low - 1.0) / (low + k - 1.0), (high - 1.0) / (high + k - 1.0)


def _agreement_limits(s: MeanSquares, level: float) -> tuple[float, float]:
    """Shrout & Fleiss 1979, p. 424, with Satterthwaite degrees of freedom of the denominator."""
    n, k, value = s.subjects, s.raters_count, _agreement(s)
    if s.error == 0.0 and s.raters == 0.0:
        return 1.0, 1.0
    # a MSJ + b MSE estimates what stands below MSB; scaled to avoid dividing by MSE.
    a, b = k * value, n * (1.0 + (k - 1) * value) - k * value
    top = (a * s.raters + b * s.error) ** 2
    bottom = (a * s.raters) ** 2 / (k - 1) + (b * s.error) ** 2 / ((n - 1) * (k - 1))
    v = top / bottom
    upper = quantile_of_f(0.5 + level / 2, n - 1, v)
    lower = quantile_of_f(0.5 + level / 2, v, n - 1)
    rest = k * s.raters + (k * n - k - n) * s.error
    return (
        n * (s.between - upper * s.error) / (upper * rest + n * s.between),
        n * (lower * s.between - s.error) / (rest + n * lower * s.between),
    )
