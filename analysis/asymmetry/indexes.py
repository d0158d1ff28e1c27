"""Asymmetry of the involved against the uninvolved limb; positive = involved larger.

The log ratio is the one to analyse: it is antisymmetric when the limbs change places, additive over
visits, and the difference of the limbs' logarithms in a mixed model. The others are transforms of
the same ratio for readers who know them; some do not keep their size when the limbs change places
(Bishop et al. 2016, Strength Cond J 38:1; J Sports Sci Med 20:594, table 4).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]


def log_ratio(involved: ArrayLike, uninvolved: ArrayLike) -> Array:
    """Return ln(I / U)."""
    one, other = _positive(involved, uninvolved)
    return np.log(one / other)


def limb_symmetry_index(involved: ArrayLike, uninvolved: ArrayLike) -> Array:
    """Return 100 I / U, in percent; not antisymmetric."""
    one, other = _positive(involved, uninvolved)
    return 100.0 * one / other


def deficit(involved: ArrayLike, uninvolved: ArrayLike) -> Array:
    """Return 100 (1 - I / U), in percent; positive = involved smaller; not antisymmetric."""
    return 100.0 - limb_symmetry_index(involved, uninvolved)


def bilateral_asymmetry_index(involved: ArrayLike, uninvolved: ArrayLike) -> Array:
    """Return 100 (I - U) / (I + U), in percent of the sum: natural for tasks on two legs."""
    one, other = _positive(involved, uninvolved)
    return 100.0 * (one - other) / (one + other)


def symmetry_index(involved: ArrayLike, uninvolved: ArrayLike) -> Array:
    """Return 100 (I - U) / mean(I, U), in percent of the mean of the limbs."""
    return 2.0 * bilateral_asymmetry_index(involved, uninvolved)


def symmetry_angle(involved: ArrayLike, uninvolved: ArrayLike) -> Array:
    """Return 100 (45 degrees - atan2(U, I)) / 90 degrees, in percent (Zifchock et al. 2008)."""
    one, other = _positive(involved, uninvolved)
    return 100.0 * (45.0 - np.degrees(np.arctan2(other, one))) / 90.0


def difference(involved: ArrayLike, uninvolved: ArrayLike) -> Array:
    """Return I - U, for quantities without a natural zero, such as angles."""
    one, other = _paired(involved, uninvolved)
    return one - other


RATIO_INDEXES: dict[str, tuple[Callable[[ArrayLike, ArrayLike], Array], str]] = {
    "log_ratio": (log_ratio, "log"),
    "limb_symmetry_index": (limb_symmetry_index, "%"),
    "deficit": (deficit, "%"),
    "bilateral_asymmetry_index": (bilateral_asymmetry_index, "%"),
    "symmetry_index": (symmetry_index, "%"),
    "symmetry_angle": (symmetry_angle, "%"),
}
"""Name -> function and unit of the indexes that need values above zero."""


def _paired(involved: ArrayLike, uninvolved: ArrayLike) -> tuple[Array, Array]:
    one, other = np.asarray(involved, dtype=float), np.asarray(uninvolved, dtype=float)
    if one.shape != other.shape:
        raise ValueError(f"limbs have shapes {one.shape} and {other.shape}; give pairs of values")
    if not (np.all(np.isfinite(one)) and np.all(np.isfinite(other))):
        raise ValueError("a limb has a missing or infinite value; drop and report the pair")
    return one, other


def _positive(involved: ArrayLike, uninvolved: ArrayLike) -> tuple[Array, Array]:
    one, other = _paired(involved, uninvolved)
    if np.any(one <= 0.0) or np.any(other <= 0.0):
        raise ValueError("a ratio of limbs needs values above zero; use the difference instead")
    return one, other
