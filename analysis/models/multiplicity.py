"""Adjustment of p-values within a family of tests."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """Return p-values adjusted by Holm's step-down procedure, in the order given.

    Source: Holm 1979, Scand J Stat 6:65.

    Raises
    ------
    ValueError
        A p-value is missing or outside 0 to 1.
    """
    p = np.asarray(p_values, dtype=float)
    if not np.all((p >= 0) & (p <= 1)):
        raise ValueError("p-values must lie between 0 and 1 and none may be missing")
    order = np.argsort(p, kind="stable")
    steps = np.maximum.accumulate((p.size - np.arange(p.size)) * p[order])
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(1.0, steps)
    return adjusted
