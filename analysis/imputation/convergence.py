"""Have the chains forgotten where they began? Means by iteration, and how far chains disagree."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray


def potential_scale_reduction(chains: NDArray[np.float64]) -> float:
    """Return the potential scale reduction of the second half of several chains.

    About one when the spread between the chains is that within them; what is much larger calls for
    more iterations. NaN when a chain does not move or has fewer than two values in its second half.
    Source: Gelman and Rubin 1992, Stat Sci 7:457, without their correction for degrees of freedom.

    Parameters
    ----------
    chains
        (chains, iterations), e.g. the mean of the filled values after each iteration.
    """
    late = chains[:, chains.shape[1] // 2 :]
    length = late.shape[1]
    if length < 2 or len(late) < 2:
        return math.nan
    within = float(late.var(axis=1, ddof=1).mean())
    between = float(late.mean(axis=1).var(ddof=1))
    if within == 0:
        return math.nan
    return math.sqrt((length - 1) / length + between / within)
