"""Force plates against known masses: gain of each plate, and the mismatch of two plates.

A gain mismatch of 1 % between the plates is 1 % of false asymmetry in the ratio of the limbs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class LoadCheck:
    """Straight line through readings over known weights: `gain` 1 and `zero_n` 0 are true.

    `reason` is empty when the gain is within its limit.
    """

    gain: float
    zero_n: float
    residual_n: float
    reason: str


def check_known_loads(
    readings_n: ArrayLike, weights_n: ArrayLike, *, largest_gain_error: float
) -> LoadCheck:
    """Fit the line of a plate's readings over known weights by least squares.

    Raises
    ------
    ValueError
        Fewer than two different loads: a line needs two.
    """
    readings = np.asarray(readings_n, dtype=np.float64)
    weights = np.asarray(weights_n, dtype=np.float64)
    if len(np.unique(weights)) < 2:
        raise ValueError(
            f"{len(np.unique(weights))} different load: the gain needs two loads at least"
        )
    centred = weights - weights.mean()
    gain = float(centred @ readings / (centred @ centred))
    zero = float(readings.mean() - gain * weights.mean())
    residual = float(np.sqrt(((readings - zero - gain * weights) ** 2).mean()))
    reason = ""
    if abs(gain - 1.0) > largest_gain_error:
        reason = f"the gain is off by {gain - 1.0:+.2%}, limit {largest_gain_error:.2%}"
    return LoadCheck(gain, zero, residual, reason)


def gain_mismatch(left_gain: float, right_gain: float) -> float:
    """Return by how much the left plate reads more than the right one, as a share.

    It is what the same mass, laid on one plate and then on the other, shows (swap check).
    """
    return left_gain / right_gain - 1.0
