"""Standard error of measurement and minimal detectable change.

de Vet, Terwee, Knol & Bouter 2006, J Clin Epidemiol 59:1033; Weir 2005, J Strength Cond Res
19:231. Both come from variance components: SD sqrt(1 - ICC) depends on which SD is meant.
"""

from __future__ import annotations

import math

from analysis.quantiles import quantile_of_chi_squared
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


def standard_error_interval(squares: MeanSquares, level: float = 0.95) -> tuple[float, float]:
    """Return the interval of `standard_error_of_agreement`.

    The squared error is MSJ / n + MSE (n - 1) / n, or MSE where raters do not differ; chi-squared
    with Satterthwaite degrees of freedom (Satterthwaite 1946, Biometrics Bulletin 2:110).
    """
    n, k = squares.subjects, squares.raters_count
    error_df = (n - 1) * (k - 1)
    variance, df = squares.error, float(error_df)
    if squares.raters > squares.error:
        raters, error = squares.raters / n, squares.error * (n - 1) / n
        variance = raters + error
        df = variance**2 / (raters**2 / (k - 1) + error**2 / error_df)
    tail = (1.0 - level) / 2.0
    low = math.sqrt(variance * df / quantile_of_chi_squared(1.0 - tail, df))
    return low, math.sqrt(variance * df / quantile_of_chi_squared(tail, df))
