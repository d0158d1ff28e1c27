"""Step: Table 1, the landmark cohort by event status: no p-values, standardised differences.

A p-value between groups that are defined by the outcome tests nothing that was asked; the
standardised difference says how far the groups lie apart, whatever the numbers of athletes.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.analysis_set import (
    SECOND_INJURIES,
    events_of,
    is_missing,
    landmark_rows,
    reason_not_to_run,
)
from analysis.estimates import Estimates, write_estimates
from analysis.models.variables import Variable, cohort_variables
from shared.tables import read_table

STEP = "analysis.models.table_one:table_one"

TOO_FEW = "too few values are known"
"""Why a number of a group is empty."""


def event_groups(rows: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame]]:
    """Yield the columns of Table 1: all, without second injury, and each second injury."""
    injured = events_of(rows, SECOND_INJURIES)
    yield "all", rows
    yield "no_second_injury", rows.loc[~injured]
    for cause in SECOND_INJURIES:
        yield cause, rows.loc[events_of(rows, [cause])]


def standardised_difference(first: pd.Series, second: pd.Series) -> float:
    """Return the difference of means in units of the mean standard deviation of two groups.

    (m1 - m2) / sqrt((s1^2 + s2^2) / 2), s with n - 1; for a yes/no column the same with
    s^2 = p (1 - p). NaN when a group has fewer than two values or neither varies.
    Source: Austin 2009, Stat Med 28:3083 (from memory).
    """
    if min(first.count(), second.count()) < 2:
        return float("nan")
    if first.dtype == bool and second.dtype == bool:
        p, q = float(first.mean()), float(second.mean())
        pooled = np.sqrt((p * (1 - p) + q * (1 - q)) / 2)
    else:
        pooled = np.sqrt((first.var(ddof=1) + second.var(ddof=1)) / 2)
    return float((first.mean() - second.mean()) / pooled) if pooled > 0 else float("nan")


def _describe_number(
    numbers: Estimates, variable: Variable, group: str, rows: pd.DataFrame
) -> None:
    values = rows[variable.column].dropna()
    quantities = {
        "mean": values.mean(),
        "standard_deviation": values.std(ddof=1),
        "median": values.median(),
        "lower_quartile": values.quantile(0.25),
        "upper_quartile": values.quantile(0.75),
    }
    fields = variable.fields(variable.unit, len(values))
    for quantity, value in quantities.items():
        note = TOO_FEW if pd.isna(value) else ""
        numbers.add(variable.name, group, quantity, value, **fields, note=note)


def _describe_category(
    numbers: Estimates, variable: Variable, group: str, rows: pd.DataFrame, levels: list[str]
) -> None:
    known = rows.loc[~is_missing(rows, [variable.column]), variable.column]
    for level in levels:
        count = int((known == level).sum())
        share = count / len(known) if len(known) else None
        term = (group, level)
        numbers.add(variable.name, term, "count", count, **variable.fields("athletes", len(known)))
        fields = variable.fields("share", len(known))
        fields["note"] = "" if len(known) else TOO_FEW
        numbers.add(variable.name, term, "share", share, **fields)


def describe_groups(
    rows: pd.DataFrame, variables: list[Variable], groups: list[tuple[str, pd.DataFrame]]
) -> Estimates:
    """Return location, spread, counts and missing values of each variable in each group."""
    numbers = Estimates("table_one")
    for group, members in groups:
        numbers.add("athletes", group, "count", len(members), unit="athletes")
        for variable in variables:
            if variable.is_category:
                _describe_category(numbers, variable, group, members, variable.levels(rows))
            else:
                _describe_number(numbers, variable, group, members)
            missing = int(is_missing(members, [variable.column]).sum())
            fields = variable.fields("athletes", len(members))
            numbers.add(variable.name, group, "missing", missing, **fields)
    return numbers


def compare_groups(rows: pd.DataFrame, variables: list[Variable]) -> Estimates:
    """Return the standardised difference, athletes with a second injury minus those without."""
    numbers = Estimates(
        "table_one",
        note="with a second injury minus without; groups differ in follow-up, so this describes "
        "and does not test",
    )
    injured = events_of(rows, SECOND_INJURIES)
    for variable in variables:
        known = ~is_missing(rows, [variable.column])
        first = rows.loc[known & injured, variable.column]
        second = rows.loc[known & ~injured, variable.column]
        pairs = {"": (first, second)}
        if variable.is_category:
            pairs = {level: (first == level, second == level) for level in variable.levels(rows)}
        fields = variable.fields("standard deviations", int(known.sum()))
        for level, pair in pairs.items():
            term = ("second_injury_against_none", level)
            value = standardised_difference(*pair)
            numbers.add(variable.name, term, "standardised_difference", value, **fields)
    return numbers


def table_one(
    *, cohort: Path, estimates: Path, plan: dict[str, Any], freeze: dict[str, Any]
) -> None:
    """Write Table 1; unless the plan is frozen, only the column of all athletes."""
    rows = landmark_rows(read_table(cohort))
    variables = cohort_variables(plan)
    comparison = Estimates("table_one")
    if reason := reason_not_to_run(freeze):
        groups = [("all", rows)]
        comparison.not_run("second_injury_against_none", reason)
    else:
        groups = list(event_groups(rows))
        comparison = compare_groups(rows, variables)
    write_estimates(
        estimates,
        describe_groups(rows, variables, groups),
        comparison,
        step=STEP,
        inputs={"cohort": cohort},
    )
