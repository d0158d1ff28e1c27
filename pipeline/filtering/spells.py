"""Spells: unbroken stretches of samples for which a condition holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.bool_]
Indices = NDArray[np.int64]


def spells(mask: Mask) -> tuple[Indices, Indices]:
    """Return first samples and ends (exclusive) of the stretches in which `mask` is true."""
    edges = (mask[1:] != mask[:-1]).nonzero()[0] + 1
    if len(mask) and mask[0]:
        edges = np.concatenate(([0], edges))
    if len(mask) and mask[-1]:
        edges = np.concatenate((edges, [len(mask)]))
    return edges[0::2], edges[1::2]


def spells_bridging(mask: Mask, shorter_than: float) -> tuple[Indices, Indices]:
    """Return the spells of `mask`, joined where the break between two is shorter than a limit.

    The limit is in samples. Breaks at the two ends of the signal are not between spells and stay.
    """
    starts, ends = spells(mask)
    if len(starts) < 2:
        return starts, ends
    real_break = starts[1:] - ends[:-1] >= shorter_than
    return (
        starts[np.concatenate(([True], real_break))],
        ends[np.concatenate((real_break, [True]))],
    )
