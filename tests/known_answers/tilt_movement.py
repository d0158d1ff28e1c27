"""A knee that sways before it lands, in closed form, and what accelerometers on its segments feel.

The unit hangs 0.2 m below its joint, so that it feels the turning of its segment as well; the joint
falls, lands (4.6 g upwards) and is braked (half of what exceeds 1 g, backwards).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.known_answers.closed_movement import (
    _EXTENSION_S,
    _HELD_UNTIL_S,
    BEFORE_CONTACT_S,
    FLEXION_DEG,
    FLEXION_S,
    Movement,
)
from tests.known_answers.closed_study import SEGMENTS
from tests.known_answers.signals import G

Array = NDArray[np.float64]

STILL_UNTIL_S, SWAY_UNTIL_S = 0.7, 4.3
PERIODS = 2
BULGE_S = 5.9
"""The bias leaves zero when the sway begins and is zero again in the stance after the landing."""
ARM_M = 0.2
BRAKED_SHARE = 0.5


def _rise_acceleration(time: Array, start: float, length: float) -> Array:
    part = (time - start) / length
    inside = (part > 0.0) & (part < 1.0)
    return np.where(inside, 0.5 * (np.pi / length) ** 2 * np.cos(np.pi * part), 0.0)


@dataclass(frozen=True)
class Swaying(Movement):
    """The drop landing of the closed forms, later, with knee flexion swinging before it.

    Parameters
    ----------
    sway_deg : height of the swing; without it the athlete stands still until the fall
    """

    sway_deg: float = 20.0

    @property
    def drop_contact_s(self) -> float:
        return 4.6 + self.shift_s

    @property
    def duration_s(self) -> float:
        return 9.0

    def _phase(self, time: Array) -> tuple[Array, float]:
        speed = 2.0 * np.pi * PERIODS / (SWAY_UNTIL_S - STILL_UNTIL_S)
        return speed * (np.clip(time, STILL_UNTIL_S, SWAY_UNTIL_S) - STILL_UNTIL_S), speed

    def knee(self, side: str, time: Array) -> Array:
        phase, _ = self._phase(time)
        swing = 0.5 * self.sway_deg * (1.0 - np.cos(phase)) if side in self.sides else 0.0
        return super().knee(side, time) + swing

    def knee_rate(self, side: str, time: Array) -> Array:
        phase, speed = self._phase(time)
        swing = 0.5 * self.sway_deg * speed * np.sin(phase) if side in self.sides else 0.0
        return super().knee_rate(side, time) + swing

    def knee_acceleration(self, side: str, time: Array) -> Array:
        """Second derivative of `knee` in degrees per s²."""
        if side not in self.sides:
            return np.zeros_like(time)
        contact = self.contacts[0].time_s
        bend = _rise_acceleration(time, contact - BEFORE_CONTACT_S, FLEXION_S)
        bend = bend - _rise_acceleration(time, contact + _HELD_UNTIL_S, _EXTENSION_S)
        phase, speed = self._phase(time)
        swings = (time > STILL_UNTIL_S) & (time < SWAY_UNTIL_S)
        swing = np.where(swings, 0.5 * self.sway_deg * speed**2 * np.cos(phase), 0.0)
        return FLEXION_DEG * bend + swing


def bulge(time: Array, height_deg_s: float) -> Array:
    """Return a bias that swells and goes again: no straight line between two stances."""
    part = np.clip((time - STILL_UNTIL_S) / BULGE_S, 0.0, 1.0)
    return 0.5 * height_deg_s * (1.0 - np.cos(2.0 * np.pi * part))


def bulge_integral(time_s: float, height_deg_s: float) -> float:
    """Return the drift that the bias has caused by an instant inside its swelling, in degrees."""
    past = time_s - STILL_UNTIL_S
    swing = BULGE_S / (2.0 * math.pi) * math.sin(2.0 * math.pi * past / BULGE_S)
    return 0.5 * height_deg_s * (past - swing)


def segment_force(
    movement: Swaying | None, segment: str, side: str, time: Array, arm_m: float = ARM_M
) -> Array:
    """Return the specific force in g on a unit in the frame of its segment, shape (3, samples).

    Without a movement, of quiet standing. x points forwards, y up, z to the right.
    """
    if movement is None:
        return np.stack([np.zeros_like(time), np.ones_like(time), np.zeros_like(time)])
    part = SEGMENTS[segment]
    turn = np.radians(part * movement.knee(side, time))
    rate = np.radians(part * movement.knee_rate(side, time))
    growth = np.radians(part * movement.knee_acceleration(side, time))
    up = movement.specific_force(time)
    forward = -BRAKED_SHARE * np.maximum(up - 1.0, 0.0)
    along = forward * np.cos(turn) + up * np.sin(turn) + arm_m * growth / G
    upwards = -forward * np.sin(turn) + up * np.cos(turn) + arm_m * rate**2 / G
    return np.stack([along, upwards, np.zeros_like(time)])
