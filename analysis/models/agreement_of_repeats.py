"""Intraclass correlations of complete tables: trials of a visit, and visits, within athletes.

ICC(2, .) of Shrout & Fleiss 1979: repeats as a random sample, so that a change of all athletes from
one repeat to the next is error too. Unlike the variance components, nothing is adjusted: what sites
and covariates explain counts as difference between athletes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.estimates import EstimateFields, Estimates
from analysis.models.reliability_rows import LOG_SCALE, add_share
from analysis.reliability import (
    average_agreement_interval,
    intraclass_correlations,
    minimal_detectable_change,
    standard_error_interval,
    standard_error_of_agreement,
    two_way_mean_squares,
)

FEWEST_ATHLETES = 3
TRIALS, VISITS = "trials_of_a_visit", "visits"
AGREEMENT = "two-way random effects, absolute agreement; complete table, not adjusted"
F_LIMITS = "F, Shrout & Fleiss 1979"
AVERAGE_LIMITS = "F, McGraw & Wong 1996"
CHI_SQUARED = "chi-squared, Satterthwaite df"


def trials_table(rows: pd.DataFrame, visit: str) -> pd.DataFrame:
    """Return athletes by their first k valid trials at a visit; who has fewer is left out.

    k is the largest number that at least half of the athletes have.
    """
    at_visit = rows.loc[rows["visit"] == visit].sort_values(["athlete_id", "trial"], kind="stable")
    order = at_visit.groupby("athlete_id").cumcount() + 1
    table = at_visit.assign(order=order).pivot(index="athlete_id", columns="order", values="value")
    common = [count for count in table.columns if table[count].notna().mean() >= 0.5]
    return table[common].dropna()


def visits_table(rows: pd.DataFrame, visits: Sequence[str]) -> pd.DataFrame:
    """Return athletes by visit, means of their valid trials; athletes who missed one are left out.

    Visits that nobody attended have no column.
    """
    means = rows.groupby(["athlete_id", "visit"])["value"].mean().unstack()
    return means[[visit for visit in visits if visit in means.columns]].dropna()


def add_agreement(
    numbers: Estimates,
    subject: tuple[str, ...],
    term: str,
    table: pd.DataFrame,
    unit: str,
    level: float,
) -> None:
    """Add ICC(2,1), ICC(2,k), error of measurement and detectable change of a complete table."""
    shared: EstimateFields = {"model": AGREEMENT, "estimation": "analysis of variance"}
    shared |= {"n_athletes": len(table), "n_trials": int(table.size), "ci_level": level}
    if len(table) < FEWEST_ATHLETES or table.shape[1] < 2:
        reason = f"fewer than {FEWEST_ATHLETES} athletes have all of two or more repeats"
        numbers.not_run((*subject, term), reason)
        return
    scores = table.to_numpy(dtype=float)
    squares = two_way_mean_squares(scores)
    if not squares.error > 0.0:
        numbers.not_run((*subject, term), "the repeats of an athlete do not differ")
        return
    found = intraclass_correlations(scores, level)
    one, mean = found["ICC(2,1)"], found["ICC(2,k)"]
    low, high = average_agreement_interval(scores, level)
    share: EstimateFields = {**shared, "unit": "share"}
    share |= {"ci_low": one.low, "ci_high": one.high, "ci_type": F_LIMITS}
    numbers.add(subject, term, "icc_2_1", one.value, **share)
    share |= {"ci_low": low, "ci_high": high, "ci_type": AVERAGE_LIMITS}
    numbers.add(subject, term, "icc_2_k", mean.value, **share)
    error = standard_error_of_agreement(squares)
    bounds = standard_error_interval(squares, level)
    change = [minimal_detectable_change(value) for value in (error, *bounds)]
    for quantity, (value, lower, upper) in (
        ("standard_error_of_measurement", (error, *bounds)),
        ("detectable_change", tuple(change)),
    ):
        fields: EstimateFields = {**shared, "unit": unit, "ci_type": CHI_SQUARED}
        fields |= {"ci_low": lower, "ci_high": upper}
        numbers.add(subject, term, quantity, value, **fields)
        if unit == LOG_SCALE:
            add_share(numbers, subject, share_term(term, quantity), value, fields)


def share_term(term: str, quantity: str) -> str:
    """Return the term under which an error or change of logarithms is told as a share."""
    return f"{term}_{quantity}"


def on_scale(rows: pd.DataFrame, on_log_scale: bool) -> pd.DataFrame:
    """Return rows with the values on the scale of the model."""
    return rows.assign(value=np.log(rows["value"])) if on_log_scale else rows
