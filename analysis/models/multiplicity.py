"""Adjustment of p-values within a family of tests."""

from __future__ import annotations

from collections.abc import Callable

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
    p = _checked(p_values)
    order = np.argsort(p, kind="stable")
    steps = np.maximum.accumulate((p.size - np.arange(p.size)) * p[order])
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(1.0, steps)
    return adjusted


def benjamini_hochberg(p_values: ArrayLike) -> NDArray[np.float64]:
    """Return p-values adjusted for the false discovery rate (step-up), in the order given.

    Source: Benjamini & Hochberg 1995, J R Stat Soc B 57:289.

    Raises
    ------
    ValueError
        A p-value is missing or outside 0 to 1.
    """
    p = _checked(p_values)
    order = np.argsort(p, kind="stable")[::-1]
    steps = np.minimum.accumulate(p.size / np.arange(p.size, 0, -1) * p[order])
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(1.0, steps)
    return adjusted


ADJUSTMENTS: dict[str, Callable[[ArrayLike], NDArray[np.float64]]] = {
    "holm": holm,
    "benjamini_hochberg": benjamini_hochberg,
}
"""Name of an adjustment in the plan -> the procedure."""


def _checked(p_values: ArrayLike) -> NDArray[np.float64]:
    p = np.asarray(p_values, dtype=float)
    if not np.all((p >= 0) & (p <= 1)):
        raise ValueError("p-values must lie between 0 and 1 and none may be missing")
    return p
