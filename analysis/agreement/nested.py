"""Limits of agreement of paired trials nested in limbs and athletes, by a mixed model.

difference = bias + athlete + limb in athlete + visit of the limb + trial, by REML (Bland & Altman
2007, J Biopharm Stat 17:571, true value varies; Carstensen et al. 2008, Int J Biostat 4:16). A
single difference varies by the sum of the variances. Its degrees of freedom are those of a
chi-squared variable with the same mean and variance (Satterthwaite 1946, Biometrics Bull 2:110);
the interval of a limit combines the intervals of bias and standard deviation (Zou 2013, Stat
Methods Med Res 22:630).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.agreement.limits import paired_values, recovered_limits
from analysis.mixed import (
    ContrastT,
    MixedFit,
    ModelRefusedError,
    RandomTerm,
    fit_mixed,
    nested_labels,
    random_intercept,
    satterthwaite_t,
)
from analysis.mixed.kenward_roger import KenwardRogerMoments
from analysis.quantiles import quantile_of_chi_squared

Array = NDArray[Any]
Interval = tuple[float, float]


@dataclass(frozen=True)
class NestedLimits:
    """Bias and limits of first - second for a single new pair of a new athlete.

    Attributes
    ----------
    bias : its t-test and interval (Satterthwaite)
    deviation, deviation_df : SD of a single difference and its degrees of freedom
    deviation_interval : of the SD, chi-squared
    components : variance of each random term that was kept, and of the trial
    dropped_terms : random terms whose variance was estimated as none
    """

    bias: ContrastT
    deviation: float
    deviation_df: float
    deviation_interval: Interval
    low: float
    high: float
    low_interval: Interval
    high_interval: Interval
    components: dict[str, float]
    dropped_terms: tuple[str, ...]
    pairs: int
    athletes: int
    converged: bool


@dataclass(frozen=True)
class NestedSlope:
    """Slope of a response on the mean of the pairs, clustering in the random terms.

    The line passes through `at_centre` where the mean of a pair is `centre`.
    """

    slope: ContrastT
    centre: float
    at_centre: ContrastT
    dropped_terms: tuple[str, ...]


def nesting(names: Sequence[str], *levels: ArrayLike) -> list[RandomTerm]:
    """Return one random intercept per level of a nested chain, outermost first.

    Parameters
    ----------
    names : name of each level
    levels : (n,) labels of each level; labels need not be unique between outer groups

    A level that splits no group further, or has one row per group, has no variance of its own and
    is left out.
    """
    terms: list[RandomTerm] = []
    groups = 1
    labels: ArrayLike | None = None
    for name, level in zip(names, levels, strict=True):
        inner = np.asarray(level)
        labels = inner if labels is None else nested_labels(labels, inner)
        count = np.unique(np.asarray(labels)).size
        if groups < count < inner.size:
            terms.append(random_intercept(name, labels))
            groups = count
    return terms


def nested_limits(
    first: ArrayLike,
    second: ArrayLike,
    random: Sequence[RandomTerm],
    level: float = 0.95,
    multiplier: float = 1.96,
) -> NestedLimits:
    """Return bias and limits of agreement of paired trials; the first random term is the athlete.

    Raises
    ------
    ValueError
        Missing values, or fewer than three pairs.
    ModelRefusedError
        No random term is left, or the differences do not vary.
    """
    one, two = paired_values(first, second)
    differences = one - two
    fit, dropped = _fit(differences, np.ones((differences.size, 1)), ["bias"], random)
    bias = satterthwaite_t(fit, level=level)[0]
    variances = {component.term: float(component.covariance[0, 0]) for component in fit.components}
    variances["trial"] = fit.sigma**2
    total = sum(variances.values())
    covariance = KenwardRogerMoments(fit).parameter_covariance
    df = 2.0 * total**2 / float(covariance.sum())
    deviation = float(np.sqrt(total))
    bounds = _deviation_interval(deviation, df, level)
    (low, high), low_interval, high_interval = recovered_limits(
        bias.estimate,
        bias.high - bias.estimate,
        deviation,
        bounds,
        multiplier,
    )
    return NestedLimits(
        bias=bias,
        deviation=deviation,
        deviation_df=df,
        deviation_interval=bounds,
        low=low,
        high=high,
        low_interval=low_interval,
        high_interval=high_interval,
        components=variances,
        dropped_terms=dropped,
        pairs=differences.size,
        athletes=_athletes(random),
        converged=fit.converged,
    )


def nested_proportional_bias(
    first: ArrayLike, second: ArrayLike, random: Sequence[RandomTerm], level: float = 0.95
) -> NestedSlope:
    """Return the slope of first - second on the mean of the pair.

    The slope also differs from zero where the methods' random errors differ in size (Bland &
    Altman 1995, Lancet 346:1085): it is a description, not proof of a scale error.
    """
    one, two = paired_values(first, second)
    return _slope(one - two, (one + two) / 2.0, random, level)


def nested_spread_slope(
    first: ArrayLike, second: ArrayLike, random: Sequence[RandomTerm], level: float = 0.95
) -> NestedSlope:
    """Return the slope of the absolute residuals of the proportional bias on the mean.

    Above zero, the differences spread with the size of what is measured (Bland & Altman 1999,
    section 3.2); limits of the ratio then fit better than limits of the difference.
    """
    one, two = paired_values(first, second)
    means = (one + two) / 2.0
    from scipy.stats import linregress

    line = linregress(means, one - two)
    residuals = one - two - (line.intercept + line.slope * means)
    return _slope(np.abs(residuals), means, random, level)


def _slope(
    response: Array, means: Array, random: Sequence[RandomTerm], level: float
) -> NestedSlope:
    if np.ptp(means) == 0.0:
        raise ValueError("all pairs have the same mean: a slope on it cannot be estimated")
    centre = float(means.mean())
    fixed = np.column_stack([np.ones(means.size), means - centre])
    fit, dropped = _fit(response, fixed, ["intercept", "mean"], random)
    at_centre, slope = satterthwaite_t(fit, np.eye(2), level)
    return NestedSlope(slope, centre, at_centre, dropped)


def _fit(
    response: Array, fixed: Array, names: Sequence[str], random: Sequence[RandomTerm]
) -> tuple[MixedFit, tuple[str, ...]]:
    """Fit, and fit again without the terms whose variance is estimated as none.

    On the boundary the degrees of freedom are not defined. The first term, the athlete, stays: the
    trials of an athlete are not independent because the estimate happens to be zero.
    """
    if not random:
        raise ModelRefusedError("no athlete has several pairs; use limits_of_agreement")
    fit = fit_mixed(response, fixed, random, fixed_names=names)
    kept = [
        term
        for place, (term, component) in enumerate(zip(random, fit.components, strict=True))
        if place == 0 or component.covariance[0, 0] > _NOTHING * fit.sigma**2
    ]
    dropped = tuple(term.name for term in random if term not in kept)
    return (fit_mixed(response, fixed, kept, fixed_names=names) if dropped else fit), dropped


_NOTHING = 1e-8
"""Variance relative to that of the trial that counts as none: the optimiser's boundary."""


def _deviation_interval(deviation: float, df: float, level: float) -> Interval:
    upper = quantile_of_chi_squared(0.5 + level / 2, df)
    lower = quantile_of_chi_squared(0.5 - level / 2, df)
    return deviation * float(np.sqrt(df / upper)), deviation * float(np.sqrt(df / lower))


def _athletes(random: Sequence[RandomTerm]) -> int:
    return int(np.unique(random[0].labels).size)
