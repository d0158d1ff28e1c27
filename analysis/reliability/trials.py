"""How reliability grows with the number of trials averaged (Spearman 1910; Brown 1910)."""

from __future__ import annotations

import math


def reliability_of_mean(single: float, trials: float) -> float:
    """Return the reliability of the mean of `trials` from that of one trial."""
    if trials <= 0:
        raise ValueError(f"{trials} trials; expected a positive number")
    bottom = 1.0 + (trials - 1.0) * single
    # Below this a single-trial reliability has no mean-of-k counterpart.
    return trials * single / bottom if bottom > 0 else -math.inf


def trials_needed(single: float, target: float) -> int:
    """Return the fewest trials whose mean reaches the target reliability."""
    if not (0.0 < single < 1.0 and 0.0 < target < 1.0):
        raise ValueError(
            f"single-trial reliability {single} and target {target}; both must lie between 0 and 1"
        )
    exact = target * (1.0 - single) / (single * (1.0 - target))
    return max(1, math.ceil(exact - 1e-9))
