"""Restricted cubic splines: smooth between the knots, a straight line beyond the outer two.

Source: Harrell, Regression Modeling Strategies (2nd ed. 2015), section 2.4; Devlin and Weeks 1986.
Knots must be fixed before any resampling.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]

_QUANTILES = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
    6: (0.05, 0.23, 0.41, 0.59, 0.77, 0.95),
    7: (0.025, 0.1833, 0.3417, 0.50, 0.6583, 0.8167, 0.975),
}
_SMALL_SAMPLE = 100


def spline_knots(values: ArrayLike, count: int) -> Array:
    """Return the knots at Harrell's quantiles, shape (count,).

    Below 100 values the outer knots are the fifth smallest and the fifth largest value.

    Parameters
    ----------
    values
        Shape (n,), finite.
    count
        3 to 7.

    Raises
    ------
    ValueError
        The number of knots is not available, a value is not finite, or two knots coincide.
    """
    if count not in _QUANTILES:
        raise ValueError(f"{count} knots: 3 to 7 are available")
    values = np.asarray(values, dtype=float)
    if not np.isfinite(values).all():
        raise ValueError("knots need finite values; drop the missing ones and say how many")
    knots = np.quantile(values, _QUANTILES[count])
    if len(values) < _SMALL_SAMPLE and len(values) >= 10:
        ordered = np.sort(values)
        knots[0], knots[-1] = ordered[4], ordered[-5]
    if not (np.diff(knots) > 0).all():
        raise ValueError(
            f"knots {np.round(knots, 6).tolist()} coincide: too few distinct values for "
            f"{count} knots; take fewer"
        )
    return knots


def restricted_cubic_basis(values: ArrayLike, knots: ArrayLike) -> Array:
    """Return the basis, shape (n, knots - 1): the value itself, then the curved columns.

    The curved columns are divided by the squared distance of the outer knots, so that they have
    the unit of the value.

    Parameters
    ----------
    values
        Shape (n,).
    knots
        Shape (k,), k >= 3, rising.

    Raises
    ------
    ValueError
        Fewer than three knots, or knots that do not rise.
    """
    values, knots = np.asarray(values, dtype=float), np.asarray(knots, dtype=float)
    if len(knots) < 3 or not (np.diff(knots) > 0).all():
        raise ValueError(f"at least three rising knots are needed, got {knots.tolist()}")
    last, before = knots[-1], knots[-2]
    cubes = np.maximum(values[:, None] - knots, 0.0) ** 3
    inner = knots[:-2]
    curved = (
        cubes[:, :-2]
        - cubes[:, -2:-1] * (last - inner) / (last - before)
        + cubes[:, -1:] * (before - inner) / (last - before)
    ) / (last - knots[0]) ** 2
    return np.column_stack([values, curved])
