"""The plan's groups and the two knees compared: tests, rate ratios, mean time free of any end.

Descriptions, none of them adjusted for anything; no hazard model of the plan rests on them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.analysis_set import complete_rows, events_of
from analysis.competing.gray import gray_test
from analysis.estimates import EstimateFields, Estimates, joined
from analysis.models.cox_design import stratum_labels
from analysis.models.grouped import groups_of
from analysis.survival.errors import SurvivalDataError
from analysis.survival.incidence import rate_ratio
from analysis.survival.intervals import normal_quantile
from analysis.survival.linear import ChiSquareTest
from analysis.survival.log_rank import log_rank
from analysis.survival.restricted_mean import RestrictedMean, restricted_mean
from analysis.survival.sample_size import detectable_hazard_ratio

TESTS = "group_tests"
RATIOS = "rate_ratios"
EVENT_FREE = "event_free_time"

KNEES = "uninvolved_against_involved"
"""Term of the rate ratio of the two knees."""


def levels_of(cohort: pd.DataFrame, column: str | None) -> list[str]:
    """Return the levels of the plan's group, the first being the reference; none without group."""
    return [level for level, _ in groups_of(cohort, column)[1:]]


# Tests of no difference between groups


def _tests(
    rows: pd.DataFrame, group: NDArray[Any], strata: NDArray[Any] | None, events: list[str]
) -> Iterator[tuple[str, str, ChiSquareTest]]:
    """Yield the quantity, the words and the test of each comparison that the rows allow."""
    days, event = rows["followup_days"].to_numpy(dtype=float), events_of(rows, events)
    yield "log_rank_test", "log-rank, every other end censors", log_rank(days, event, group).test
    if strata is not None:
        test = log_rank(days, event, group, strata=strata).test
        yield "stratified_log_rank_test", "log-rank within strata, every other end censors", test
    other = (rows["cause"] > 0).to_numpy() & ~event
    causes = np.where(event, 1, np.where(other, 2, 0))
    yield "gray_test", "Gray, other ends by a cause compete", gray_test(days, causes, group).test


def group_test_numbers(cohort: pd.DataFrame, plan: dict[str, Any]) -> Estimates:
    """Return log-rank tests, plain and stratified, and Gray's test for every outcome.

    Log-rank compares cause-specific hazards, Gray's test cumulative incidences; the two may differ.
    """
    column, strata = plan["cumulative_incidence"]["group"], plan["cox"]["strata"]
    complete = complete_rows(cohort, [*([column] if column else []), *strata])
    rows = complete.rows
    numbers = Estimates(
        TESTS,
        family="secondary",
        unit="chi-squared",
        statistic_kind="chi-squared",
        df_method="groups - 1",
        horizon_days=float(plan["horizon_days"]),
        n_athletes=len(rows),
        rows_dropped=complete.dropped,
    )
    levels = levels_of(rows, column)
    if len(levels) < 2:
        numbers.not_run("all", "there are no two groups of the plan to compare")
        return numbers
    group = rows[column].astype(str).to_numpy()
    labels = stratum_labels(rows, strata) if strata else None
    for outcome, content in plan["outcomes"].items():
        events = int(events_of(rows, content["events"]).sum())
        common: EstimateFields = {"outcome": outcome, "n_events": events}
        try:
            for quantity, words, test in _tests(rows, group, labels, content["events"]):
                fields: EstimateFields = {"statistic": test.statistic, "df": test.df, "p": test.p}
                between = f"{words}; groups {joined(levels)}"
                if quantity.startswith("stratified"):
                    between += f"; strata {joined(strata)}"
                fields["note"] = between
                numbers.add(outcome, column, quantity, test.statistic, **common, **fields)
        except SurvivalDataError as error:
            numbers.not_run((outcome, column), str(error), **common)
            continue
        _add_detectable(numbers, outcome, column, group, plan, common)
    return numbers


def _add_detectable(
    numbers: Estimates,
    outcome: str,
    column: str,
    group: NDArray[Any],
    plan: dict[str, Any],
    common: EstimateFields,
) -> None:
    shares = np.unique(group, return_counts=True)[1] / group.size
    if shares.size != 2:
        return
    power, alpha = float(plan["power"]), 1 - float(plan["confidence_level"])
    spread = float(np.sqrt(np.prod(shares)))
    ratio = detectable_hazard_ratio(common["n_events"], sd=spread, power=power, alpha=alpha)
    fields: EstimateFields = {
        "unit": "hazard ratio",
        "statistic_kind": "",
        "df_method": "",
        "note": f"{100 * power:g} % power, two-sided log-rank test of the two groups "
        "(Schoenfeld 1983)",
    }
    numbers.add(outcome, column, "minimal_detectable_hazard_ratio", ratio, **common, **fields)


# Ratios of rates


def _add_ratio(
    numbers: Estimates,
    address: tuple[str, str, str],
    counts: tuple[int, float, int, float],
    level: float,
    fields: EstimateFields,
) -> None:
    """Add the ratio of (events, exposure) against (reference events, reference exposure)."""
    subject, term, quantity = address
    try:
        found = rate_ratio(*counts, level=level)
    except SurvivalDataError as error:
        numbers.not_run((subject, term, quantity), str(error), **fields)
        return
    limits: EstimateFields = {"ci_low": found.lower, "ci_high": found.upper, "p": found.p}
    if math.isinf(found.upper):
        limits["note"] = "no event in the reference, so the ratio has no upper limit"
    numbers.add(subject, term, quantity, found.ratio, **limits, **fields)


def ratio_numbers(
    cohort: pd.DataFrame, plan: dict[str, Any], denominators: dict[str, str]
) -> Estimates:
    """Return rate ratios of each group against the first, and of the knees of the same athletes.

    Parameters
    ----------
    denominators
        Quantity of the rate -> column of the cohort that it divides by.
    """
    level = float(plan["confidence_level"])
    numbers = Estimates(
        RATIOS,
        family="secondary",
        model="Poisson",
        unit="ratio",
        estimation="exact, given the number of events of both",
        ci_type="exact conditional (Clopper-Pearson)",
        ci_level=level,
        horizon_days=float(plan["horizon_days"]),
    )
    column = plan["cumulative_incidence"]["group"]
    groups = groups_of(cohort, column)[1:]
    for per, exposure in denominators.items():
        quantity = per.replace("rate", "rate_ratio", 1)
        for outcome, content in plan["outcomes"].items():
            for name, rows in groups[1:]:
                first, reference = groups[0]
                counts = (
                    *_events_and_exposure(rows, content["events"], exposure),
                    *_events_and_exposure(reference, content["events"], exposure),
                )
                fields: EstimateFields = {
                    "outcome": outcome,
                    "n_events": counts[0] + counts[2],
                    "n_athletes": len(rows) + len(reference),
                }
                address = (outcome, f"{name}_against_{first}", quantity)
                _add_ratio(numbers, address, counts, level, fields)
    _add_knees(numbers, cohort, level)
    return numbers


def _events_and_exposure(rows: pd.DataFrame, events: list[str], exposure: str) -> tuple[int, float]:
    known = rows.loc[rows[exposure].notna()]
    return int(events_of(known, events).sum()), float(known[exposure].sum())


def _add_knees(numbers: Estimates, cohort: pd.DataFrame, level: float) -> None:
    """Add the ratio of the uninvolved knee's rate to that of the involved knee.

    Both knees of an athlete are exposed for the same time, so it does not matter to what.
    """
    one_knee = cohort.loc[cohort["injured_side"] != "both"]
    days = float(one_knee["followup_days"].sum())
    uninvolved, involved = (
        int(events_of(one_knee, [event]).sum()) for event in ("contralateral_tear", "graft_rupture")
    )
    fields: EstimateFields = {
        "n_events": uninvolved + involved,
        "n_athletes": len(one_knee),
        "rows_dropped": len(cohort) - len(one_knee),
    }
    address = ("second_injury", KNEES, "rate_ratio")
    _add_ratio(numbers, address, (uninvolved, days, involved, days), level, fields)


# Mean time free of any end


def event_free_numbers(cohort: pd.DataFrame, plan: dict[str, Any]) -> Estimates:
    """Return the mean time in sport and free of knee injury up to the horizon, and differences.

    Every end by a cause counts as the event, so that nothing competes and no end of sport is taken
    for censoring that knows nothing of risk.
    """
    horizon, level = float(plan["horizon_days"]), float(plan["confidence_level"])
    numbers = Estimates(
        EVENT_FREE,
        family="descriptive",
        model="Kaplan-Meier",
        unit="d",
        estimation="area under the curve to the horizon, variance of Irwin 1949",
        se_scale="identity",
        ci_type="normal",
        ci_level=level,
        horizon_days=horizon,
        censoring="loss and end of study censor; second injury, other knee injury and end of "
        "sport are the event",
    )
    found: dict[str, RestrictedMean] = {}
    for group, rows in groups_of(cohort, plan["cumulative_incidence"]["group"]):
        ended = (rows["cause"] > 0).to_numpy()
        sizes: EstimateFields = {"n_athletes": len(rows), "n_events": int(ended.sum())}
        try:
            mean = restricted_mean(
                rows["followup_days"].to_numpy(dtype=float), ended, horizon, level=level
            )
        except SurvivalDataError as error:
            numbers.not_run(group, str(error), **sizes)
            continue
        found[group] = mean
        numbers.add(
            group, "all", "restricted_mean", mean.mean,
            se=mean.standard_error, ci_low=mean.lower, ci_high=mean.upper, **sizes,
        )  # fmt: skip
    compared = [group for group in found if group != "all"]
    for group in compared[1:]:
        _add_difference(numbers, group, compared[0], found, level)
    return numbers


def _add_difference(
    numbers: Estimates, group: str, reference: str, found: dict[str, RestrictedMean], level: float
) -> None:
    one, two = found[group], found[reference]
    difference = one.mean - two.mean
    error = math.hypot(one.standard_error, two.standard_error)
    z = normal_quantile(level)
    numbers.add(
        f"{group}_against_{reference}", "all", "difference_of_restricted_means", difference,
        se=error, ci_low=difference - z * error, ci_high=difference + z * error,
    )  # fmt: skip
