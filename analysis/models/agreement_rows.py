"""Results of the estimators of agreement as rows of the table of estimates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike

from analysis.agreement import DemingLine, Jackknife, NestedLimits, PercentError
from analysis.estimates import EstimateFields, Estimates, joined
from analysis.mixed import ContrastT
from analysis.models.contrast_rows import difference_fields

LIMIT_INTERVAL = "variance estimates recovered"


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


def add_limits(group: Group, found: NestedLimits, differences: ArrayLike) -> None:
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
    spread: EstimateFields = {**shared, "df": found.deviation_df, "df_method": "Satterthwaite"}
    group.add("standard_deviation", found.deviation, **spread)
    shared |= {"ci_level": group.level, "ci_type": LIMIT_INTERVAL}
    for quantity, value, (low, high) in (
        ("lower_limit", found.low, found.low_interval),
        ("upper_limit", found.high, found.high_interval),
    ):
        limit: EstimateFields = {**shared, "ci_low": low, "ci_high": high}
        group.add(quantity, value, **limit)
    single = np.asarray(differences, dtype=float)
    outside = float(np.mean((single < found.low) | (single > found.high)))
    group.add("share_outside_limits", outside, unit="share")
    below, above = np.percentile(single, [2.5, 97.5])
    group.add("percentile_2_5", float(below))
    group.add("percentile_97_5", float(above))


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


def add_slope(group: Group, quantity: str, found: ContrastT) -> None:
    """Add a slope on the mean of the two sensors."""
    columns: EstimateFields = {**tested(found), "unit": "per unit of the mean"}
    group.add(quantity, found.estimate, **columns)


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
    group.add("percent_error_percentile_95", errors.percentile_95, unit="%")
