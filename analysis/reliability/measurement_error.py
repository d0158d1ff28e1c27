"""Standard error of measurement and minimal detectable change.

de Vet, Terwee, Knol & Bouter 2006, J Clin Epidemiol 59:1033; Weir 2005, J Strength Cond Res
19:231. Both come from variance components: SD sqrt(1 - ICC) depends on which SD is meant.
"""

from __future__ import annotations

import math

from analysis.reliability.mean_squares import MeanSquares

# The factor as the literature prints it, not the normal quantile to more digits.
NORMAL_95 = 1.96


def standard_error_of_consistency(squares: MeanSquares) -> float:
    """Return the standard error of measurement without systematic rater differences, sqrt(MSE)."""
    return math.sqrt(squares.error)


def standard_error_of_agreement(squares: MeanSquares) -> float:
    """Return the standard error of measurement with rater differences as error.

    A negative estimate of the raters' variance counts as zero.
    """
    raters = max((squares.raters - squares.error) / squares.subjects, 0.0)
    return math.sqrt(raters + squares.error)


def minimal_detectable_change(standard_error: float) -> float:
    """Return the 95 % minimal detectable change between two measurements, 1.96 sqrt(2) SEM."""
    if not standard_error >= 0.0:
        raise ValueError(f"standard error of measurement {standard_error}; expected >= 0")
    return NORMAL_95 * math.sqrt(2.0) * standard_error
