"""E-value: how strong unmeasured confounding would have to be to explain a hazard ratio away.

Source: VanderWeele & Ding 2017, Annals of Internal Medicine 167:268.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.survival.errors import SurvivalDataError

Outcome = Literal["rare", "common"]


@dataclass(frozen=True)
class EValue:
    """E-value of an estimate and of the limit nearer to 1 (1 when the interval contains 1)."""

    estimate: float
    limit: float
    outcome: Outcome


def hazard_ratio_e_value(
    hazard_ratio: float, lower: float, upper: float, *, outcome: Outcome
) -> EValue:
    """Return the E-value of a hazard ratio.

    Parameters
    ----------
    outcome : ``rare`` (below 15 % at the end of follow-up; the hazard ratio is taken as a risk
        ratio) or ``common`` (it is first turned into an approximate risk ratio)
    """
    if not 0 < lower <= hazard_ratio <= upper:
        raise SurvivalDataError(
            f"hazard_ratio: expected 0 < lower <= ratio <= upper, "
            f"found {lower}, {hazard_ratio}, {upper}"
        )
    if lower <= 1 <= upper:
        limit = 1.0
    else:
        limit = _e_value(_risk_ratio(lower if lower > 1 else upper, outcome))
    return EValue(_e_value(_risk_ratio(hazard_ratio, outcome)), limit, outcome)


def _risk_ratio(hazard_ratio: float, outcome: Outcome) -> float:
    if outcome == "rare":
        return hazard_ratio
    if outcome == "common":
        return float((1 - 0.5 ** np.sqrt(hazard_ratio)) / (1 - 0.5 ** np.sqrt(1 / hazard_ratio)))
    raise ValueError(f"outcome: expected rare or common, found {outcome!r}")


def _e_value(risk_ratio: float) -> float:
    ratio = max(risk_ratio, 1 / risk_ratio)
    return float(ratio + np.sqrt(ratio * (ratio - 1)))
