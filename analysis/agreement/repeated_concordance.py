"""Concordance of two methods when each athlete gives several pairs.

The coefficient is Lin's (1989, Biometrics 45:255) with the moments of all pairs, which is that of a
randomly drawn pair; its interval comes from the jackknife over athletes on Fisher's z scale, as
King, Chinchilli & Carrasco 2007, Stat Med 26:3095, do for repeated measures of equal number.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from analysis.agreement.jackknife import Array, Jackknife, Moments, jackknife


def repeated_concordance(
    first: ArrayLike, second: ArrayLike, athlete: ArrayLike, level: float = 0.95
) -> Jackknife:
    """Return the concordance correlation; its standard error is on Fisher's z scale.

    Raises
    ------
    ValueError
        A method does not vary, the methods agree exactly, too few athletes, missing values.
    """

    def fisher(moments: Moments) -> Array:
        return np.arctanh(_concordance(moments))

    found = jackknife(fisher, first, second, athlete, level)
    value, low, high = (float(np.tanh(z)) for z in (found.value, found.low, found.high))
    return Jackknife(value, found.standard_error, found.df, low, high)


def _concordance(moments: Moments) -> Array:
    if np.any(moments.variance_first <= 0.0) or np.any(moments.variance_second <= 0.0):
        raise ValueError("one method has the same value for every pair: no concordance exists")
    gap = moments.mean_first - moments.mean_second
    value = 2.0 * moments.covariance / (moments.variance_first + moments.variance_second + gap**2)
    if np.any(np.abs(value) >= 1.0):
        raise ValueError("the methods agree exactly: an interval of the concordance has no meaning")
    return value
