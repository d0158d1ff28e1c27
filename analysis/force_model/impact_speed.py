"""How fast a body meets the ground, as far as box height and waist unit tell.

A fall from a box of height h ends at sqrt(2 g h); a flight of t seconds that began on the same
ground ends at g t / 2. Which landings are which says the metric dictionary.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.force_model.inputs import Array
from shared.metric_dictionary import metrics as metric_dictionary
from shared.units import STANDARD_GRAVITY

FALLS_FROM_BOX = "fall_time_share"
"""The metric that exists where a landing ends a fall from the box: not after a jump onto one."""

TYPICAL_BOX_M = 0.3
"""The typical speed is that of a fall from this height; it centres logarithms only."""


def speed_of_fall(height_m: float) -> float:
    """Return the speed in m/s at the end of a free fall."""
    return float(np.sqrt(2.0 * STANDARD_GRAVITY * height_m))


def log_impact_speed(rows: pd.DataFrame) -> Array:
    """Return (n,) logarithms of impact speed over the typical one, 0 where nothing tells it.

    Parameters
    ----------
    rows : task, landing, box_height_m (empty without a box) and flight_s (time of flight by the
        waist unit, empty where the task has none or it was not measured)
    """
    falls = metric_dictionary()[FALLS_FROM_BOX].tasks
    from_box = np.array(
        [
            landing in falls.get(task, ())
            for task, landing in zip(rows["task"], rows["landing"], strict=True)
        ],
        dtype=bool,
    )
    box, flight = (rows[name].to_numpy(dtype=float) for name in ("box_height_m", "flight_s"))
    speed = np.where(
        from_box, np.sqrt(2.0 * STANDARD_GRAVITY * box), STANDARD_GRAVITY * flight / 2.0
    )
    found: Array = np.nan_to_num(np.log(speed / speed_of_fall(TYPICAL_BOX_M)), nan=0.0)
    return found
