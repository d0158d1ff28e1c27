"""Mirrored mounting of a gyroscope, told from the landings that it recorded.

With the z axis to the subject's right on both legs, every landing bends the knee forwards: the
thigh turns one way, the shank the other. A unit that was mounted mirrored shows the opposite, in
all of its landings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.filtering.sampled import cumulative_integral, value_at

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
    rate: Signal, rate_hz: float, contact: float, *, mirrored_window_s: float
) -> float:
    """Return the largest angle (rad, signed) that a bias-corrected rate covers after contact.

    The knee first flexes (peak flexion comes 120 to 250 ms after contact: common practice, no
    source). A stiff knee is done sooner and extends again within the window, so the angle at its
    end would not tell.

    Raises
    ------
    ValueError
        The recording ends within the window.
    """
    first = math.floor(contact)
    last = math.ceil(contact + mirrored_window_s * rate_hz)
    if first < 0 or last >= len(rate):
        raise ValueError(f"samples {first} to {last} are needed, the recording has {len(rate)}")
    angle = cumulative_integral(rate[first : last + 1], rate_hz)
    angle -= value_at(angle, contact - first)
    return float(angle[np.argmax(np.abs(angle))])


def mounting(
    rotations_rad: ArrayLike,
    *,
    mirrored_share: float,
    mirrored_minimum_landings: int,
    mirrored_smallest_deg: float,
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
    mirrored_smallest_deg
        Landings that turn less, in degrees, say nothing and are left out.
    """
    rotations = np.asarray(rotations_rad, dtype=np.float64)
    telling = rotations[np.abs(rotations) >= math.radians(mirrored_smallest_deg)]
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
