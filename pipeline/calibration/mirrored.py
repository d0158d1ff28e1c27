"""Mirrored mounting of a gyroscope, told from the landings that it recorded.

With the z axis to the subject's right on both legs, every landing bends the knee forwards: the
thigh turns one way, the shank the other. A unit that was mounted mirrored shows the opposite, in
all of its landings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.filtering.sampled import integral_between

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MountingDecision:
    """Whether a unit is mirrored, and on which landings that rests.

    `mirrored` is None when the landings do not tell (too few, or of both signs).
    """

    mirrored: bool | None
    landings: int
    opposite: int
    median_rotation_rad: float


def landing_rotation(
    rate: Signal, rate_hz: float, contact: float, *, rotation_window_s: float = 0.150
) -> float:
    """Return the angle (rad) that a bias-corrected rate covers in the first time after contact.

    In the first 150 ms of a landing the knee only flexes (peak flexion comes 120 to 250 ms after
    contact: common practice, no source).

    Raises
    ------
    ValueError
        The recording ends within the window.
    """
    return integral_between(rate, rate_hz, contact, contact + rotation_window_s * rate_hz)


def mounting(
    rotations_rad: ArrayLike,
    *,
    mirrored_share: float,
    mirrored_minimum_landings: int,
    smallest_rotation_rad: float = 0.0873,
) -> MountingDecision:
    """Decide from the rotations of a unit's landings whether its flexion sign is reversed.

    Parameters
    ----------
    rotations_rad
        One per landing, from `landing_rotation`; positive = the way a flexing knee turns (thigh
        rate, or minus the shank rate, or their difference).
    mirrored_share
        Share of landings that must agree for a decision.
    mirrored_minimum_landings
        Fewest landings for a decision.
    smallest_rotation_rad
        Landings that turn less (0.0873 rad = 5 degrees) say nothing and are left out.
    """
    rotations = np.asarray(rotations_rad, dtype=np.float64)
    telling = rotations[np.abs(rotations) >= smallest_rotation_rad]
    count, opposite = len(telling), int((telling < 0.0).sum())
    if count == 0:
        return MountingDecision(None, 0, 0, 0.0)
    decision = None
    if count >= mirrored_minimum_landings:
        if opposite >= mirrored_share * count:
            decision = True
        elif count - opposite >= mirrored_share * count:
            decision = False
    return MountingDecision(decision, count, opposite, float(np.median(telling)))
