"""Step: how well two sensors agree on the same landings, over all and by site, limb and task.

A difference is always the other sensor minus the reference. Trials are nested in limbs and
athletes (`analysis.agreement`). A clipped value is no measurement but a lower bound: limits of
agreement are those of the landings that no sensor clipped, and stand once more with the clipped
values as they were read, which tells what saturation costs. Outcomes play no part.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.agreement import (
    deming_regression,
    nested_limits,
    nested_proportional_bias,
    nested_spread_slope,
    nesting,
    percent_error,
    repeated_concordance,
)
from analysis.estimates import EstimateFields, Estimates, write_estimates
from analysis.mixed import ModelRefusedError, RandomTerm
from analysis.models import agreement_rows as rows_of
from analysis.models.grouped import groups_of
from analysis.models.sensor_pairs import SensorPair, sensor_pairs
from shared.tables import read_table

STEP = "analysis.models.agreement:agreement_of_sensors"
ANALYSIS = "agreement"

GROUPINGS = ("site", "limb", "task")
CLIPPED_AS_READ = "clipped_as_read"
LEVELS = ("athlete", "limb in athlete", "visit of the limb")

MINIMUM_ATHLETES = 10
"""With fewer, the interval of a standard deviation runs over more than a factor of 2.6 (chi-squared
on 9 degrees of freedom: 0.69 to 1.83): limits of agreement would not be worth printing."""

ERROR_RATIO = 1.0
"""Ratio of error variances of Deming's line. The trials of a jump are no replicates of one value,
so the study itself cannot tell it; equal errors favour neither sensor."""


def random_terms(rows: pd.DataFrame) -> list[RandomTerm]:
    """Return the nesting of trials: athlete, limb in athlete, visit of the limb."""
    return nesting(LEVELS, rows["athlete_id"], rows["limb"], rows["visit"])


def groups(
    rows: pd.DataFrame, groupings: Sequence[str]
) -> Iterator[tuple[tuple[str, ...], pd.DataFrame]]:
    """Yield all rows, then those of each level of each grouping; a single level says nothing new.

    The first item is the term of an address: ("all",) or (grouping, level).
    """
    yield ("all",), rows
    for grouping in groupings:
        levels = groups_of(rows, grouping)[1:]
        if len(levels) > 1:
            for level, part in levels:
                yield (grouping, level), part


def group_fields(term: tuple[str, ...], rows: pd.DataFrame, unit: str) -> EstimateFields:
    """Return the columns that all numbers of a group share; `valid` says which rows count."""
    valid = rows["valid"]
    fields: EstimateFields = {
        "unit": unit,
        "n_athletes": int(rows.loc[valid, "athlete_id"].nunique()),
        "n_trials": int(valid.sum()),
        "rows_dropped": int((~valid).sum()),
    }
    if len(term) > 1:
        fields[term[0]] = term[1]  # type: ignore[literal-required]
    return fields


def refusal(fields: EstimateFields) -> str:
    """Return why a group is too small for limits of agreement, '' when it is not."""
    athletes = fields["n_athletes"]
    if athletes >= MINIMUM_ATHLETES:
        return ""
    return f"athletes with valid values: {athletes}; limits need at least {MINIMUM_ATHLETES}"


def add_group(group: rows_of.Group, valid: pd.DataFrame, on_ratio_scale: bool) -> None:
    """Add all numbers of one group of pairs, or the reason why there are none."""
    other, reference, athlete = valid["other"], valid["reference"], valid["athlete_id"]
    random, level = random_terms(valid), group.level
    try:
        limits = nested_limits(other, reference, random, level)
        slope = nested_proportional_bias(other, reference, random, level)
        spread = nested_spread_slope(other, reference, random, level)
        line = deming_regression(reference, other, athlete, ERROR_RATIO, level)
        concordance = repeated_concordance(reference, other, athlete, level)
        if on_ratio_scale:
            ratio = nested_limits(np.log(other), np.log(reference), random, level)
            errors = percent_error(reference, other, athlete, level)
    except (ModelRefusedError, ValueError) as error:
        group.not_run(str(error))
        return
    rows_of.add_limits(group, limits, other - reference, athlete)
    rows_of.add_proportional_bias(group, slope)
    rows_of.add_slope(group, "spread_slope", spread)
    rows_of.add_line(group, line)
    rows_of.add_concordance(group, concordance)
    if on_ratio_scale:
        rows_of.add_ratio_limits(group, ratio)
        rows_of.add_percent_error(group, errors)


def pair_numbers(pair: SensorPair, level: float) -> Estimates:
    """Return the numbers of one pair of sensors, all groups."""
    numbers = Estimates(
        ANALYSIS,
        family="secondary",
        metric=pair.metric.id,
        sensor=pair.other,
        outcome=f"{pair.other} minus {pair.reference}",
        model="linear mixed model of paired trials",
    )
    measured = pair.rows.assign(valid=pair.rows["valid"] & ~pair.rows["clipped"])
    for term, rows in groups(measured, GROUPINGS):
        fields = group_fields(term, rows, pair.metric.unit)
        if rows["clipped"].any():
            fields["censoring"] = "pairs with a clipped value left out"
        group = rows_of.Group(numbers, pair.subject, term, level, fields)
        if reason := refusal(fields):
            group.not_run(reason)
            if term == ("all",):
                break  # its parts are smaller still
            continue
        add_group(group, rows.loc[rows["valid"]], pair.on_ratio_scale)
    _add_clipped(numbers, pair, level)
    return numbers


def _add_clipped(numbers: Estimates, pair: SensorPair, level: float) -> None:
    """Add how many pairs hold a clipped value, and the agreement with these as they were read."""
    valid = pair.rows.loc[pair.rows["valid"]]
    clipped = int(valid["clipped"].sum())
    if clipped == 0:
        return
    numbers.add(pair.subject, "clipped", "landings", float(clipped), unit="landings")
    fields = group_fields((CLIPPED_AS_READ,), pair.rows, pair.metric.unit)
    fields["censoring"] = "none: clipped values count as read"
    group = rows_of.Group(numbers, pair.subject, (CLIPPED_AS_READ,), level, fields)
    if reason := refusal(fields):
        group.not_run(reason)
        return
    add_group(group, valid, pair.on_ratio_scale)


def agreement_of_sensors(*, metrics: Path, estimates: Path, plan: dict[str, Any]) -> None:
    """Write the agreement of every pair of sensors that measured the same metric of a landing."""
    level = float(plan["confidence_level"])
    found = [pair_numbers(pair, level) for pair in sensor_pairs(read_table(metrics))]
    if not found:
        nothing = Estimates(ANALYSIS, family="secondary")
        nothing.not_run("all", "no metric of a landing was measured by two sensors")
        found = [nothing]
    write_estimates(estimates, *found, step=STEP, inputs={"metrics": metrics})
