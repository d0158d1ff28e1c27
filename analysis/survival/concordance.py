"""Harrell's concordance of a risk score with survival times, and its standard error.

A pair is comparable when the shorter time ends with an event; a row censored at that very time
counts as living longer; two events at one time are not comparable. Tied scores count one half.
Standard error: infinitesimal jackknife, as `concordance` in survival for R (Therneau & Watson
2015). Source: Harrell 1996.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import (
    Booleans,
    Floats,
    Integers,
    column,
    follow_up,
    group_codes,
    merge_close,
)
from analysis.survival.errors import SurvivalDataError

# Equal rows may get scores that differ in the last bits of a matrix product: they are ties.
SCORE_TOLERANCE = 1e-12
# Deaths compared with everybody at once: bounds the memory at this many times n values.
BLOCK = 256


@dataclass(frozen=True)
class Concordance:
    """Share of comparable pairs in which the higher risk has the earlier event."""

    estimate: float
    standard_error: float
    concordant: int
    discordant: int
    tied_risk: int
    tied_time: int


def harrell_concordance(
    risk: ArrayLike,
    stop: ArrayLike,
    event: ArrayLike,
    *,
    start: ArrayLike | None = None,
    strata: ArrayLike | None = None,
) -> Concordance:
    """Return Harrell's C of a score of which higher values mean earlier events.

    Parameters
    ----------
    risk : (n,) score, e.g. covariates times coefficients
    stop, event, start : (n,) columns; pairs with late entry need the later entrant to be under
        observation at the event
    strata : (n,) labels; pairs are formed within strata

    Raises
    ------
    SurvivalDataError : no comparable pair
    """
    start_time, stop_time, happened = follow_up(stop, event, start)
    score = merge_close(column(risk, "risk", stop_time.size), SCORE_TOLERANCE)
    codes = np.zeros(stop_time.size, dtype=np.intp)
    if strata is not None:
        _, codes = group_codes(strata, stop_time.size, "strata")
    counts = np.zeros(4)
    pair_sum, pair_number = np.zeros(stop_time.size), np.zeros(stop_time.size)
    deaths = np.flatnonzero(happened)
    for begin in range(0, deaths.size, BLOCK):
        block = deaths[begin : begin + BLOCK]
        comparable, same = _pairs(block, start_time, stop_time, happened)
        inside = codes[block, None] == codes
        comparable &= inside
        order = np.sign(score[block, None] - score)
        value = np.where(comparable, (1 + order) / 2, 0.0)
        counts += [
            np.count_nonzero(comparable & (order > 0)),
            np.count_nonzero(comparable & (order < 0)),
            np.count_nonzero(comparable & (order == 0)),
            np.count_nonzero(same & inside & (order != 0)),
        ]
        pair_sum += value.sum(axis=0)
        pair_sum[block] += value.sum(axis=1)
        pair_number += comparable.sum(axis=0)
        pair_number[block] += comparable.sum(axis=1)
    total = counts[:3].sum()
    if total == 0:
        raise SurvivalDataError(
            "event: no pair of rows can be compared, so there is no concordance"
        )
    estimate = float((counts[0] + counts[2] / 2) / total)
    influence = (pair_sum - estimate * pair_number) / total
    return Concordance(
        estimate=estimate,
        standard_error=float(np.sqrt(np.sum(influence**2))),
        concordant=int(counts[0]),
        discordant=int(counts[1]),
        tied_risk=int(counts[2]),
        tied_time=int(counts[3]),
    )


def _pairs(
    block: Integers, start: Floats | None, stop: Floats, event: Booleans
) -> tuple[Booleans, Booleans]:
    """Return which rows (b, n) outlive each death of the block, and which later rows tie."""
    moment = stop[block, None]
    comparable = (stop > moment) | ((stop == moment) & ~event)
    if start is not None:
        comparable &= start < moment
    same = (stop == moment) & event & (np.arange(stop.size) > block[:, None])
    return comparable, same
