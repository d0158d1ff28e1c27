"""Uno's concordance up to a stated time, whatever the censoring was.

Harrell's C depends on the censoring pattern of the study; weighting each comparable pair with
1/G(t-)^2, t its earlier time, removes that. Beyond the truncation time, where few are left and
the weights are large, no pair counts. A property of a model in a group.

Pairs and ties as in `analysis.survival.concordance`. Source: Uno et al. 2011.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.prediction.censoring import censoring_survival
from analysis.survival.checks import column, follow_up, merge_close
from analysis.survival.concordance import BLOCK, SCORE_TOLERANCE
from analysis.survival.errors import SurvivalDataError


@dataclass(frozen=True)
class UnoConcordance:
    """Weighted share of comparable pairs in which the higher risk has the earlier event.

    ``standard_error`` is the infinitesimal jackknife with the censoring weights held fixed, as
    `concordance` in survival for R.
    """

    estimate: float
    standard_error: float
    truncation: float
    events: int
    largest_weight: float


def uno_concordance(
    risk: ArrayLike, stop: ArrayLike, event: ArrayLike, *, truncation: float
) -> UnoConcordance:
    """Return Uno's C of a score of which higher values mean earlier events.

    Parameters
    ----------
    risk : (n,) score
    stop, event : (n,) follow-up; a competing event coded 0 makes it the C of the cause-specific
        hazard
    truncation : last event time that counts, in the unit of ``stop``

    Raises
    ------
    SurvivalDataError : no event by the truncation time, truncation after the last observation,
        or no comparable pair
    """
    _, time, happened = follow_up(stop, event)
    score = merge_close(column(risk, "risk", time.size), SCORE_TOLERANCE)
    if not 0 < truncation <= time.max():
        raise SurvivalDataError(
            f"truncation: expected a time up to the last observation at {time.max():g}, found "
            f"{truncation:g}; the concordance is not known beyond it"
        )
    deaths = np.flatnonzero(happened & (time <= truncation))
    if deaths.size == 0:
        raise SurvivalDataError(
            f"event: none of the {time.size} rows has an event by the truncation time "
            f"{truncation:g}, so there is no concordance"
        )
    weights = censoring_survival(time, happened).before(time[deaths]) ** -2
    pair_sum, pair_number = np.zeros(time.size), np.zeros(time.size)
    for begin in range(0, deaths.size, BLOCK):
        block, weight = deaths[begin : begin + BLOCK], weights[begin : begin + BLOCK, None]
        moment = time[block, None]
        comparable = weight * ((time > moment) | ((time == moment) & ~happened))
        value = comparable * (1 + np.sign(score[block, None] - score)) / 2
        pair_sum += value.sum(axis=0)
        pair_number += comparable.sum(axis=0)
        pair_sum[block] += value.sum(axis=1)
        pair_number[block] += comparable.sum(axis=1)
    total = pair_number.sum() / 2
    if total == 0:
        raise SurvivalDataError(
            "event: no pair of rows can be compared, so there is no concordance"
        )
    estimate = float(pair_sum.sum() / 2 / total)
    influence = (pair_sum - estimate * pair_number) / total
    return UnoConcordance(
        estimate=estimate,
        standard_error=float(np.sqrt(np.sum(influence**2))),
        truncation=float(truncation),
        events=int(deaths.size),
        largest_weight=float(weights.max()),
    )
