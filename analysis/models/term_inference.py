"""Estimate, interval and test of one coefficient, by whichever method the plan names."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.quantiles import quantile_of_normal, quantile_of_t, tail_of_normal, tail_of_t
from analysis.survival.linear import ChiSquareTest


@dataclass(frozen=True)
class TermInference:
    """A coefficient on the log scale: estimate, standard error, interval, test."""

    coefficient: float
    se: float
    low: float
    high: float
    level: float
    interval: str
    statistic: float
    statistic_kind: str
    p: float

    @property
    def is_finite(self) -> bool:
        """Whether the coefficient has an estimate and a test."""
        return math.isfinite(self.coefficient) and math.isfinite(self.p)


def undefined(level: float) -> TermInference:
    """Return the inference on a coefficient without finite estimate."""
    empty = math.nan
    return TermInference(empty, empty, empty, empty, level, "none", empty, "", empty)


def estimate_only(coefficient: float, level: float) -> TermInference:
    """Return a coefficient that has neither interval nor test."""
    empty = math.nan
    return TermInference(coefficient, empty, empty, empty, level, "none", empty, "", empty)


def profile(
    coefficient: float, se: float, low: float, high: float, test: ChiSquareTest, level: float
) -> TermInference:
    """Return the inference from a penalised profile likelihood; an infinite limit stays open."""
    return TermInference(
        coefficient,
        se,
        low if math.isfinite(low) else math.nan,
        high if math.isfinite(high) else math.nan,
        level,
        "profile likelihood",
        test.statistic,
        "chi-squared",
        test.p,
    )


def wald(coefficient: float, se: float, level: float) -> TermInference:
    """Return the inference from a normal estimate: coefficient +- z * se."""
    z = quantile_of_normal(0.5 + level / 2)
    statistic = coefficient / se
    return TermInference(
        coefficient,
        se,
        coefficient - z * se,
        coefficient + z * se,
        level,
        "Wald",
        statistic,
        "z",
        2 * tail_of_normal(abs(statistic)),
    )


def pooled_t(coefficient: float, se: float, df: float, level: float) -> TermInference:
    """Return the inference from an estimate with degrees of freedom: coefficient +- t * se."""
    quantile = quantile_of_t(0.5 + level / 2, df)
    statistic = coefficient / se
    return TermInference(
        coefficient,
        se,
        coefficient - quantile * se,
        coefficient + quantile * se,
        level,
        "t, pooled",
        statistic,
        "t",
        2 * tail_of_t(abs(statistic), df),
    )


def corrected(
    coefficient: float, se: float, low: float, high: float, p: float, level: float
) -> TermInference:
    """Return the inference on a coefficient corrected for error of measurement.

    Limits and p are quantiles of one distribution, so that they agree; there is no statistic.
    """
    return TermInference(
        coefficient, se, low, high, level, "normal mixture over draws", math.nan, "", p
    )
