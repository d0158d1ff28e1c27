"""Results of the estimators of agreement as rows of the table of estimates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike

from analysis.agreement import (
    DemingLine,
    Jackknife,
    NestedLimits,
    NestedSlope,
    Observed,
    PercentError,
    observed_percentile,
    observed_share,
)
from analysis.estimates import EstimateFields, Estimates, joined
from analysis.mixed import ContrastT
from analysis.models.contrast_rows import difference_fields

LIMIT_INTERVAL = "variance estimates recovered"
SPREAD_INTERVAL = "chi-squared, Satterthwaite df"
SHARE_INTERVAL = "exact, effective number of trials"
PERCENTILE_INTERVAL = "interval of the share, read back"


@dataclass(frozen=True)
class Group:
    """Where the numbers of one group of landings go, and the columns that they share."""

    numbers: Estimates
    subject: tuple[str, ...]
    term: tuple[str, ...]
    level: float
    fields: EstimateFields

    def add(self, quantity: str, value: float, **extra: Unpack[EstimateFields]) -> None:
        """Add one number; `extra` goes before the shared columns."""
        columns: EstimateFields = {**self.fields, **extra}
        self.numbers.add(self.subject, self.term, quantity, value, **columns)

    def not_run(self, reason: str) -> None:
        """Say why the group has no numbers."""
        self.numbers.not_run((*self.subject, *self.term), reason, **self.fields)


def tested(found: ContrastT) -> EstimateFields:
    """Return the columns of a coefficient of a mixed model."""
    return {**difference_fields(found), "estimation": "REML"}


def jackknifed(found: Jackknife, level: float) -> EstimateFields:
    """Return the columns of a statistic with its jackknife over athletes."""
    return {
        "se": found.standard_error,
        "se_scale": "identity",
        "df": found.df,
        "df_method": "athletes - 1",
        "ci_low": found.low,
        "ci_high": found.high,
        "ci_level": level,
        "ci_type": "jackknife over athletes",
    }


def random_part(found: NestedLimits) -> str:
    """Return in words which random terms the model of the limits has."""
    words = f"random terms: {joined(found.components)}"
    if found.dropped_terms:
        words += f"; estimated as none and left out: {joined(found.dropped_terms)}"
    return words


def observed(found: Observed, level: float, kind: str) -> EstimateFields:
    """Return the columns of a share or a percentile of what was seen."""
    return {"ci_low": found.low, "ci_high": found.high, "ci_level": level, "ci_type": kind}


def add_limits(
    group: Group, found: NestedLimits, differences: ArrayLike, athlete: ArrayLike
) -> None:
    """Add bias, standard deviation of a single difference, limits, and what was seen of them.

    One in twenty is expected outside the limits. The percentiles need no normal distribution (Bland
    & Altman 1999, section 4); where they are far from the limits, it is none.
    """
    shared: EstimateFields = {
        "estimation": "REML",
        "converged": found.converged,
        "singular": bool(found.dropped_terms) or min(found.components.values()) == 0.0,
        "note": random_part(found),
    }
    bias: EstimateFields = {**shared, **tested(found.bias)}
    group.add("bias", found.bias.estimate, **bias)
    shared["ci_level"] = group.level
    low, high = found.deviation_interval
    spread: EstimateFields = {**shared, "ci_low": low, "ci_high": high, "ci_type": SPREAD_INTERVAL}
    spread |= {"df": found.deviation_df, "df_method": "Satterthwaite"}
    group.add("standard_deviation", found.deviation, **spread)
    for quantity, value, (low, high) in (
        ("lower_limit", found.low, found.low_interval),
        ("upper_limit", found.high, found.high_interval),
    ):
        limit: EstimateFields = {**shared, "ci_low": low, "ci_high": high}
        limit["ci_type"] = LIMIT_INTERVAL
        group.add(quantity, value, **limit)
    _add_seen(group, found, np.asarray(differences, dtype=float), athlete)


def _add_seen(
    group: Group, found: NestedLimits, differences: np.ndarray, athlete: ArrayLike
) -> None:
    beyond = (differences < found.low) | (differences > found.high)
    outside = observed_share(beyond, athlete, group.level)
    columns = observed(outside, group.level, SHARE_INTERVAL)
    group.add("share_outside_limits", outside.value, **{**columns, "unit": "share"})
    for quantity, percent in (("percentile_2_5", 2.5), ("percentile_97_5", 97.5)):
        seen = observed_percentile(differences, percent, athlete, group.level)
        group.add(quantity, seen.value, **observed(seen, group.level, PERCENTILE_INTERVAL))


def add_ratio_limits(group: Group, found: NestedLimits) -> None:
    """Add bias and limits of the ratio of two sensors, from the limits of their logarithms."""
    for quantity, value, (low, high), kind in (
        ("ratio_bias", found.bias.estimate, (found.bias.low, found.bias.high), "t"),
        ("ratio_lower_limit", found.low, found.low_interval, LIMIT_INTERVAL),
        ("ratio_upper_limit", found.high, found.high_interval, LIMIT_INTERVAL),
    ):
        group.add(
            quantity,
            math.exp(value),
            unit="ratio",
            estimation="REML",
            ci_low=math.exp(low),
            ci_high=math.exp(high),
            ci_level=group.level,
            ci_type=kind,
            note=f"from logarithms; {random_part(found)}",
        )


def add_slope(group: Group, quantity: str, found: NestedSlope) -> None:
    """Add a slope on the mean of the two sensors."""
    columns: EstimateFields = {**tested(found.slope), "unit": "per unit of the mean"}
    group.add(quantity, found.slope.estimate, **columns)


def add_proportional_bias(group: Group, found: NestedSlope) -> None:
    """Add the slope of the difference on the mean, and a point through which its line passes."""
    add_slope(group, "proportional_bias", found)
    group.add("proportional_bias_centre", found.centre, note="mean of all means of the sensors")
    columns: EstimateFields = {**tested(found.at_centre), "note": "bias where the mean is central"}
    group.add("proportional_bias_at_centre", found.at_centre.estimate, **columns)


def add_line(group: Group, line: DemingLine) -> None:
    """Add slope and intercept of Deming's line of the other sensor on the reference."""
    note = f"ratio of error variances taken as {line.error_ratio:g}"
    slope: EstimateFields = {**jackknifed(line.slope, group.level), "unit": "ratio", "note": note}
    group.add("deming_slope", line.slope.value, **slope)
    intercept: EstimateFields = {**jackknifed(line.intercept, group.level), "note": note}
    group.add("deming_intercept", line.intercept.value, **intercept)


def add_concordance(group: Group, found: Jackknife) -> None:
    """Add the concordance correlation; its standard error is on Fisher's z scale."""
    columns: EstimateFields = {
        **jackknifed(found, group.level),
        "se_scale": "Fisher's z",
        "unit": "correlation",
    }
    group.add("concordance", found.value, **columns)


def add_percent_error(group: Group, errors: PercentError) -> None:
    """Add mean, root mean square and 95th percentile of the error in percent."""
    for quantity, found in (
        ("percent_error_mean", errors.mean),
        ("percent_error_root_mean_square", errors.root_mean_square),
    ):
        columns: EstimateFields = {**jackknifed(found, group.level), "unit": "%"}
        group.add(quantity, found.value, **columns)
    largest = errors.percentile_95
    seen: EstimateFields = {**observed(largest, group.level, PERCENTILE_INTERVAL), "unit": "%"}
    group.add("percent_error_percentile_95", largest.value, **seen)
