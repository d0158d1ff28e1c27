"""Log-rank test of k groups, stratified, and its G-rho family.

Sources: Mantel 1966; Harrington & Fleming 1982. The weight is the pooled Kaplan-Meier curve just
before each event time, to the power rho (rho 0: log-rank; rho 1: Peto-Peto form of Wilcoxon).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.survival.checks import Booleans, Floats, Integers, follow_up, group_codes
from analysis.survival.errors import SurvivalDataError
from analysis.survival.event_table import number_at_risk
from analysis.survival.linear import ChiSquareTest, chi_square_test


@dataclass(frozen=True, eq=False)
class LogRankTest:
    """Observed and expected (weighted) events per group, and the test of no difference."""

    groups: NDArray
    n: Integers
    observed: Floats
    expected: Floats
    covariance: Floats
    rho: float
    test: ChiSquareTest


def log_rank(
    stop: ArrayLike,
    event: ArrayLike,
    group: ArrayLike,
    *,
    start: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    rho: float = 0.0,
) -> LogRankTest:
    """Compare the hazards of groups.

    Parameters
    ----------
    stop, event, start : (n,) columns; a row is at risk in ``(start, stop]``
    group : (n,) labels of at least two groups
    strata : (n,) labels; groups are compared within strata only
    rho : weight on early differences

    Raises
    ------
    SurvivalDataError : no event, a single group, or groups never at risk together
    """
    start_time, stop_time, happened = follow_up(stop, event, start)
    labels, codes = group_codes(group, stop_time.size, "group")
    if labels.size < 2:
        raise SurvivalDataError(f"group: expected at least two groups, found only {labels[0]}")
    if not happened.any():
        raise SurvivalDataError("event: no row ends with an event, so hazards cannot be compared")
    strata_codes = np.zeros(stop_time.size, dtype=np.intp)
    if strata is not None:
        _, strata_codes = group_codes(strata, stop_time.size, "strata")
    observed, expected = np.zeros(labels.size), np.zeros(labels.size)
    covariance = np.zeros((labels.size, labels.size))
    for s in range(int(strata_codes.max()) + 1):
        rows = strata_codes == s
        entry = None if start_time is None else start_time[rows]
        terms = _one_stratum(entry, stop_time[rows], happened[rows], codes[rows], labels.size, rho)
        observed += terms[0]
        expected += terms[1]
        covariance += terms[2]
    test = chi_square_test(observed - expected, covariance)
    if test.df == 0:
        raise SurvivalDataError(
            "group: no two groups are at risk together at an event, so there is nothing to compare"
        )
    return LogRankTest(
        groups=labels,
        n=np.bincount(codes),
        observed=observed,
        expected=expected,
        covariance=covariance,
        rho=rho,
        test=test,
    )


def _one_stratum(
    start: Floats | None, stop: Floats, event: Booleans, codes: Integers, n_groups: int, rho: float
) -> tuple[Floats, Floats, Floats]:
    times = np.unique(stop[event])
    deaths = np.zeros((times.size, n_groups))
    np.add.at(deaths, (np.searchsorted(times, stop[event]), codes[event]), 1.0)
    at_risk = np.empty((times.size, n_groups))
    for g in range(n_groups):
        entry = None if start is None else start[codes == g]
        at_risk[:, g] = number_at_risk(entry, stop[codes == g], times)
    total, died = at_risk.sum(axis=1), deaths.sum(axis=1)
    weight = np.concatenate([[1.0], np.cumprod(1 - died / total)])[: times.size] ** rho
    share = at_risk / total[:, None]
    spread = weight**2 * died * (total - died) / np.maximum(total - 1, 1)
    covariance = np.diag(spread @ share) - (share * spread[:, None]).T @ share
    return weight @ deaths, (weight * died) @ share, covariance
