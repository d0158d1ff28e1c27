"""Sample size for developing a prediction model of a time-to-event outcome.

Three criteria, the largest counts: expected shrinkage of at least a given factor, a small
difference between apparent and adjusted explained variation, and a precise mean risk at a time of
interest. Every candidate parameter counts, not only those that stay in the model.

Source: Riley, Snell, Ensor et al. 2019 (part II, binary and time-to-event outcomes).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.survival.errors import SurvivalDataError
from analysis.survival.intervals import normal_quantile


@dataclass(frozen=True)
class RequiredSize:
    """Athletes that each criterion needs, and events that come with the largest.

    ``shrinkage_factor`` is that of the second criterion: the expected shrinkage at which the
    difference in explained variation (Nagelkerke) is ``optimism``.
    """

    athletes: int
    events: float
    events_per_parameter: float
    for_shrinkage: int
    for_optimism: int
    for_mean_risk: int
    shrinkage_factor: float
    largest_r_squared: float


def required_size(
    *,
    parameters: int,
    r_squared: float,
    rate: float,
    horizon: float,
    mean_follow_up: float,
    shrinkage: float = 0.9,
    optimism: float = 0.05,
    margin: float = 0.05,
    level: float = 0.95,
) -> RequiredSize:
    """Return the athletes and events needed by the three criteria.

    Parameters
    ----------
    parameters : candidate parameters, splines and interactions included
    r_squared : anticipated Cox-Snell explained variation, after adjustment for optimism
    rate : events per unit of time
    horizon, mean_follow_up : in that unit
    shrinkage, optimism, margin : targets; the margin is of the mean risk at the horizon, to the
        wider side of its interval

    Raises
    ------
    SurvivalDataError : a value out of its range, or an explained variation that the event rate
        does not allow
    """
    _checked(parameters, rate, horizon, mean_follow_up)
    _fractions(shrinkage=shrinkage, optimism=optimism, margin=margin)
    per_athlete = rate * mean_follow_up
    largest = float(-np.expm1(2 * (per_athlete * np.log(per_athlete) - per_athlete)))
    if not 0 < r_squared < min(largest, shrinkage):
        raise SurvivalDataError(
            f"r_squared: expected a share above 0 and below {min(largest, shrinkage):.3g} (the "
            f"most that {per_athlete:.3g} events per athlete allow), found {r_squared}"
        )
    small_difference = r_squared / (r_squared + optimism * largest)
    sizes = (
        _for_shrinkage(parameters, r_squared, shrinkage),
        _for_shrinkage(parameters, r_squared, small_difference),
        _for_mean_risk(rate, horizon, mean_follow_up, margin, level),
    )
    athletes = max(sizes)
    return RequiredSize(
        athletes=athletes,
        events=athletes * per_athlete,
        events_per_parameter=athletes * per_athlete / parameters,
        for_shrinkage=sizes[0],
        for_optimism=sizes[1],
        for_mean_risk=sizes[2],
        shrinkage_factor=small_difference,
        largest_r_squared=largest,
    )


def expected_shrinkage(*, athletes: int, parameters: int, r_squared: float) -> float:
    """Return the shrinkage S that a sample of this size lets expect (van Houwelingen).

    The inverse of the first criterion: the root of n (S - 1) log(1 - R^2 / S) = p.
    """
    from scipy import optimize

    _checked(parameters, 1.0, 1.0, 1.0)
    _fractions(r_squared=r_squared)
    if athletes < 1:
        raise SurvivalDataError(f"athletes: expected a positive number, found {athletes}")

    def excess(factor: float) -> float:
        return athletes * (factor - 1) * np.log1p(-r_squared / factor) - parameters

    return float(optimize.brentq(excess, r_squared * (1 + 1e-12), 1.0))


def _for_shrinkage(parameters: int, r_squared: float, factor: float) -> int:
    return int(np.ceil(parameters / ((factor - 1) * np.log1p(-r_squared / factor))))


def _for_mean_risk(
    rate: float, horizon: float, mean_follow_up: float, margin: float, level: float
) -> int:
    """Invert the interval of the exponential risk: half width z sqrt(rate / person-time)."""
    half_width = np.log1p(margin * np.exp(rate * horizon)) / horizon
    person_time = rate * (normal_quantile(level) / half_width) ** 2
    return int(np.ceil(person_time / mean_follow_up))


def _checked(parameters: int, rate: float, horizon: float, mean_follow_up: float) -> None:
    if parameters < 1:
        raise SurvivalDataError(f"parameters: expected at least 1, found {parameters}")
    for name, value in (("rate", rate), ("horizon", horizon), ("mean_follow_up", mean_follow_up)):
        if not (np.isfinite(value) and value > 0):
            raise SurvivalDataError(f"{name}: expected a positive number, found {value}")


def _fractions(**values: float) -> None:
    for name, value in values.items():
        if not 0 < value < 1:
            raise SurvivalDataError(f"{name}: expected a share in (0, 1), found {value}")
