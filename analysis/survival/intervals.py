"""Pointwise confidence intervals of a probability that changes over time.

The type is always named: programs differ in their default (R: log; lifelines: log-log), and the
limits differ visibly in small groups.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy import special

from analysis.survival.checks import Floats, confidence_level

IntervalType = Literal["plain", "log", "log-log", "logit", "arcsine"]

# A probability this close to 1 is 1 but for the rounding of the sum that made it.
ROUNDING = 1e-12


def normal_quantile(level: float) -> float:
    """Return the two-sided normal quantile, 1.96 for 0.95."""
    return float(special.ndtri((1 + confidence_level(level)) / 2))


def probability_interval(
    estimate: Floats, standard_error: Floats, kind: IntervalType, level: float
) -> tuple[Floats, Floats]:
    """Return lower and upper limits within [0, 1].

    Parameters
    ----------
    estimate, standard_error : probability and its standard error (same scale)
    kind : scale on which the interval is symmetric
    level : e.g. 0.95

    Notes
    -----
    Where the standard error is 0 (nothing has happened yet) both limits equal the estimate; where
    it is undefined (nobody is left) both limits are NaN. The formulas are those of `survfit` in
    survival for R; arcsine: Nair 1984; log-log: Kalbfleisch & Prentice 1980.
    """
    z = normal_quantile(level)
    p, se = np.asarray(estimate, dtype=np.float64), np.asarray(standard_error, dtype=np.float64)
    inside = (p > 0) & (p < 1 - ROUNDING) & (se > 0)
    q, s = np.where(inside, p, 0.5), np.where(inside, se, 0.0)
    low, high = _limits(q, z * s, kind)
    undefined = np.isnan(se)
    lower = np.where(undefined, np.nan, np.where(inside, np.clip(low, 0, 1), p))
    upper = np.where(undefined, np.nan, np.where(inside, np.clip(high, 0, 1), p))
    return lower, upper


def _limits(p: Floats, margin: Floats, kind: IntervalType) -> tuple[Floats, Floats]:
    if kind == "plain":
        return p - margin, p + margin
    if kind == "log":
        factor = np.exp(margin / p)
        return p / factor, p * factor
    if kind == "log-log":
        power = np.exp(margin / (-p * np.log(p)))
        return p**power, p ** (1 / power)
    if kind == "logit":
        centre, half = special.logit(p), margin / (p * (1 - p))
        return special.expit(centre - half), special.expit(centre + half)
    if kind == "arcsine":
        centre, half = np.arcsin(np.sqrt(p)), margin / (2 * np.sqrt(p * (1 - p)))
        return (
            np.sin(np.maximum(0, centre - half)) ** 2,
            np.sin(np.minimum(np.pi / 2, centre + half)) ** 2,
        )
    raise ValueError(
        f"interval type: expected plain, log, log-log, logit or arcsine, found {kind!r}"
    )
