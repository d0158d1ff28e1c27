"""Cut follow-up at fixed times, so that a hazard ratio may differ between periods."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Booleans, Floats, Integers, column, follow_up
from analysis.survival.errors import SurvivalDataError


@dataclass(frozen=True, eq=False)
class Episodes:
    """Follow-up in pieces of at most one period each.

    Attributes
    ----------
    rows : (m,) row of the original data that each piece belongs to (its cluster)
    start, stop : (m,) the piece is observed in ``(start, stop]``
    event : (m,) True if the piece ends with the event
    period : (m,) 0 up to the first cut, 1 up to the second, ...
    """

    rows: Integers
    start: Floats
    stop: Floats
    event: Booleans
    period: Integers


def split_follow_up(
    stop: ArrayLike, event: ArrayLike, cuts: ArrayLike, *, start: ArrayLike | None = None
) -> Episodes:
    """Split each row at the cuts; an event at a cut belongs to the period that ends there.

    Parameters
    ----------
    stop, event, start : (n,) columns; without ``start`` rows begin at 0
    cuts : ascending times, e.g. 182.5 to separate the first half-year

    Raises
    ------
    SurvivalDataError : cuts not ascending, or a row of no duration
    """
    given = np.zeros(np.shape(stop)) if start is None else start
    begin, end, happened = follow_up(stop, event, given)
    assert begin is not None
    inner = column(cuts, "cuts")
    if (np.diff(inner) <= 0).any():
        raise SurvivalDataError(f"cuts: expected ascending times, found {inner.tolist()}")
    edges = np.concatenate([[-np.inf], inner, [np.inf]])
    left = np.maximum(begin[:, None], edges[:-1])
    right = np.minimum(end[:, None], edges[1:])
    rows, period = np.nonzero(left < right)
    piece_stop = right[rows, period]
    return Episodes(
        rows=rows,
        start=left[rows, period],
        stop=piece_stop,
        event=happened[rows] & (piece_stop == end[rows]),
        period=period,
    )
