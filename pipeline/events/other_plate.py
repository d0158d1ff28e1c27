"""Load on the plate beside the one that a landing on one leg was made on."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.spells import spells

Signal = NDArray[np.float64]


def other_plate_loaded(
    forces: Signal,
    rate_hz: float,
    *,
    contact: float,
    end: float,
    smallest_load_n: float,
    hold_s: float,
) -> bool:
    """Tell whether both of two plates carried load between two positions.

    The plate of the landing is the one that carried more: a laboratory may have every landing made
    on the same plate, whichever leg lands. Whether the other foot was down or the one foot stood on
    both plates, the forces do not tell.

    Parameters
    ----------
    forces
        Raw vertical force of two plates, offset removed, shape (2, samples).
    contact, end
        Positions of the first and the last instant that count.
    hold_s
        Shorter loads are the ringing of the floor, not a foot.
    """
    stretch = forces[:, math.ceil(contact) : math.floor(end) + 1]
    # Nearly every landing is on one plate: only where both were loaded is it worth to look closer.
    if any(float(force.max(initial=0.0)) < smallest_load_n for force in stretch):
        return False
    other = stretch[int(np.argmin(stretch.sum(axis=1)))]
    starts, ends = spells(other >= smallest_load_n)
    return bool((ends - starts).max(initial=0) >= hold_s * rate_hz)
