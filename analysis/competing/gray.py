"""Gray's test: do the cumulative incidences of one cause differ between groups?

It compares incidences (what fraction gets this event in the presence of the others), not the
cause-specific hazards that a log-rank test compares. Source: Gray 1988, Annals of Statistics
16:1141; the variance is that of the program that accompanies the paper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.competing.cumulative_incidence import competing_follow_up
from analysis.survival.checks import Floats, Integers, group_codes
from analysis.survival.errors import SurvivalDataError
from analysis.survival.event_table import number_at_risk
from analysis.survival.linear import ChiSquareTest, chi_square_test


@dataclass(frozen=True, eq=False)
class GrayTest:
    """Weighted observed minus expected events per group, and the test of no difference."""

    cause: int
    groups: NDArray
    score: Floats
    covariance: Floats
    rho: float
    test: ChiSquareTest


@dataclass(frozen=True, eq=False)
class _Counts:
    """Counts (D, G) of one stratum at D times at which any event happens."""

    at_risk: Floats
    own: Floats
    other: Floats


def gray_test(
    stop: ArrayLike,
    cause: ArrayLike,
    group: ArrayLike,
    *,
    of_cause: int = 1,
    strata: ArrayLike | None = None,
    rho: float = 0.0,
) -> GrayTest:
    """Compare the cumulative incidence of one cause between groups.

    Parameters
    ----------
    stop : (n,) times
    cause : (n,) whole numbers, 0 censored
    group : (n,) labels of at least two groups
    of_cause : the cause to compare
    strata : (n,) labels; groups are compared within strata
    rho : power of one minus the pooled incidence, as weight

    Raises
    ------
    SurvivalDataError : a single group, no event of the cause, or groups never at risk together
    """
    _, stop_time, codes = competing_follow_up(stop, cause)
    labels, groups = group_codes(group, stop_time.size, "group")
    if labels.size < 2:
        raise SurvivalDataError(f"group: expected at least two groups, found only {labels[0]}")
    if not (codes == of_cause).any():
        raise SurvivalDataError(f"cause: no row ends with cause {of_cause}")
    strata_codes = np.zeros(stop_time.size, dtype=np.intp)
    if strata is not None:
        _, strata_codes = group_codes(strata, stop_time.size, "strata")
    score = np.zeros(labels.size)
    covariance = np.zeros((labels.size, labels.size))
    for s in range(int(strata_codes.max()) + 1):
        rows = strata_codes == s
        counts = _count(stop_time[rows], codes[rows], groups[rows], labels.size, of_cause)
        part_score, part_covariance = _one_stratum(counts, rho)
        score += part_score
        covariance += part_covariance
    test = chi_square_test(score, covariance)
    if test.df == 0:
        raise SurvivalDataError(
            "group: no two groups are at risk together at an event of the cause, "
            "so there is nothing to compare"
        )
    return GrayTest(of_cause, labels, score, covariance, rho, test)


def _count(
    stop: Floats, cause: Integers, groups: Integers, n_groups: int, of_cause: int
) -> _Counts:
    times = np.unique(stop[cause > 0])
    place = np.searchsorted(times, stop)
    own, other = np.zeros((times.size, n_groups)), np.zeros((times.size, n_groups))
    for table, rows in ((own, cause == of_cause), (other, (cause > 0) & (cause != of_cause))):
        np.add.at(table, (place[rows], groups[rows]), 1.0)
    at_risk = np.column_stack(
        [number_at_risk(None, stop[groups == g], times) for g in range(n_groups)]
    )
    return _Counts(at_risk.astype(np.float64), own, other)


def _one_stratum(counts: _Counts, rho: float) -> tuple[Floats, Floats]:
    n, own, other = counts.at_risk, counts.own, counts.other
    present = n > 0
    safe = np.maximum(n, 1)
    after = np.cumprod(1 - np.where(present, (own + other) / safe, 0.0), axis=0)
    before = _lagged(after, 1.0)
    incidence_before = _lagged(np.cumsum(before * own / safe, axis=0), 0.0)
    # At risk of the subdistribution: those at risk, plus the expected share of the others.
    weight_at_risk = np.divide(n, before, out=np.zeros_like(n), where=present)
    total = weight_at_risk.sum(axis=1)
    pooled_events = own.sum(axis=1)
    pooled = np.cumsum(pooled_events / total)
    pooled_before = _lagged(pooled, 0.0)
    weight = (1 - pooled_before) ** rho

    subdistribution = weight_at_risk * (1 - incidence_before)
    expected = pooled_events[:, None] * subdistribution / subdistribution.sum(axis=1)[:, None]
    score = weight @ (own - expected)

    share = weight_at_risk / total[:, None]
    groups = np.eye(n.shape[1])
    a = (weight[:, None] * weight_at_risk)[:, :, None] * (groups - share[:, None, :])
    step = pooled_events / (total * (1 - pooled_before))
    c = np.cumsum(a * step[:, None, None], axis=0)

    remaining = np.divide(
        (1 - pooled)[:, None], after, out=np.ones_like(after), where=present & (after > 0)
    )
    own_factor = np.where(present & (after > 0), 1 - remaining, 1.0)
    own_variance = (
        np.where(
            present, _tied(pooled_events[:, None], total[:, None] * before) * before / safe, 0.0
        )
        * (pooled_events / total)[:, None]
    )
    other_variance = np.where(
        present & (after > 0), _tied(other, n) * before**2 * other / safe**2, 0.0
    )
    own_terms = a - own_factor[:, None, :] * c
    other_terms = -remaining[:, None, :] * c
    return score, _covariance(
        c[-1], [(own_terms, own_factor, own_variance), (other_terms, remaining, other_variance)]
    )


def _covariance(last: Floats, parts: list[tuple[Floats, Floats, Floats]]) -> Floats:
    """Sum over times and groups k of (term_ik + factor_k c_ik(end))(same for j) variance_k."""
    covariance = np.zeros_like(last)
    for terms, factor, variance in parts:
        full = terms + factor[:, None, :] * last
        covariance += np.einsum("tik,tjk,tk->ij", full, full, variance)
    return covariance


def _tied(events: Floats, at_risk: Floats) -> Floats:
    """Return the hypergeometric factor for tied events."""
    tied = (events > 1) & (at_risk != 1)
    return np.where(tied, 1 - (events - 1) / np.where(tied, at_risk - 1, 1.0), 1.0)


def _lagged(values: Floats, first: float) -> Floats:
    return np.concatenate([np.full((1, *values.shape[1:]), first), values[:-1]])
