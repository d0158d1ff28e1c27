"""Events that a hazard ratio needs, and the hazard ratio that given events can detect.

Precision and power come from events, not from athletes. Sources: Schoenfeld 1983 (two groups),
Hsieh & Lavori 2000 (a continuous covariate, with adjustment for its correlation with others),
Freedman 1982.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from analysis.survival.errors import SurvivalDataError


def events_for_two_groups(
    hazard_ratio: float, *, share: float = 0.5, power: float = 0.8, alpha: float = 0.05
) -> float:
    """Return the events needed to detect a hazard ratio between two groups (Schoenfeld).

    Parameters
    ----------
    share : fraction of the cohort in the first group
    alpha : two-sided
    """
    return events_for_covariate(
        hazard_ratio, sd=float(np.sqrt(_share(share) * (1 - share))), power=power, alpha=alpha
    )


def events_for_covariate(
    hazard_ratio: float,
    *,
    sd: float = 1.0,
    r_squared: float = 0.0,
    power: float = 0.8,
    alpha: float = 0.05,
) -> float:
    """Return the events needed to detect a hazard ratio per unit of a covariate (Hsieh & Lavori).

    Parameters
    ----------
    sd : standard deviation of the covariate; 1 when the ratio is per standard deviation
    r_squared : share of the covariate's variance that the other covariates explain
    alpha : two-sided
    """
    if not (hazard_ratio > 0 and hazard_ratio != 1 and np.isfinite(hazard_ratio)):
        raise SurvivalDataError(
            f"hazard_ratio: expected a positive ratio other than 1, found {hazard_ratio}"
        )
    _spread(sd, r_squared)
    needed = _quantiles(power, alpha) / (np.log(hazard_ratio) * sd)
    return float(needed**2 / (1 - r_squared))


def detectable_hazard_ratio(
    events: float,
    *,
    sd: float = 1.0,
    r_squared: float = 0.0,
    power: float = 0.8,
    alpha: float = 0.05,
) -> float:
    """Return the smallest hazard ratio above 1 per unit that the events can detect.

    Its inverse is the detectable ratio below 1. Arguments as for :func:`events_for_covariate`.
    """
    if not events > 0:
        raise SurvivalDataError(f"events: expected a positive number, found {events}")
    _spread(sd, r_squared)
    return float(np.exp(_quantiles(power, alpha) / (sd * np.sqrt(events * (1 - r_squared)))))


def freedman_events(hazard_ratio: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Return the events for two equal groups by Freedman's formula (two-sided ``alpha``)."""
    ratio = (1 + hazard_ratio) / (1 - hazard_ratio)
    return float((_quantiles(power, alpha) * ratio) ** 2)


def _quantiles(power: float, alpha: float) -> float:
    if not (0 < power < 1 and 0 < alpha < 1):
        raise SurvivalDataError(
            f"power, alpha: expected values in (0, 1), found {power} and {alpha}"
        )
    return float(special.ndtri(1 - alpha / 2) + special.ndtri(power))


def _share(share: float) -> float:
    if not 0 < share < 1:
        raise SurvivalDataError(f"share: expected a fraction in (0, 1), found {share}")
    return share


def _spread(sd: float, r_squared: float) -> None:
    if not sd > 0:
        raise SurvivalDataError(f"sd: expected a positive standard deviation, found {sd}")
    if not 0 <= r_squared < 1:
        raise SurvivalDataError(f"r_squared: expected a share in [0, 1), found {r_squared}")
