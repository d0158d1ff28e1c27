"""What an imputation model knows of the outcome: by cause, whether it came, and its hazard so far.

White and Royston 2009, Stat Med 28:1982: event indicator and cumulative hazard at the end of the
observation, by the estimate of Nelson and Aalen. One pair per cause where causes compete (after
Bartlett and Taylor 2016, Biostatistics 17:751; by memory).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from analysis.survival.event_table import step_value
from analysis.survival.kaplan_meier import nelson_aalen


def outcome_columns(
    time: NDArray[np.float64], events: Mapping[str, NDArray[np.bool_]]
) -> dict[str, NDArray[np.float64]]:
    """Return (n,) columns: event indicator and cumulative hazard at `time`, per cause.

    Parameters
    ----------
    time
        (n,) end of the observation.
    events
        Cause -> (n,) True where it ended the observation; other ends censor.

    Raises
    ------
    SurvivalDataError
        A time that is negative or no number.
    """
    columns: dict[str, NDArray[np.float64]] = {}
    for cause, happened in events.items():
        curve = nelson_aalen(time, happened)
        columns[f"event of {cause}"] = happened.astype(np.float64)
        columns[f"cumulative hazard of {cause}"] = step_value(
            curve.times, curve.cumulative_hazard, time, 0.0
        )
    return columns
