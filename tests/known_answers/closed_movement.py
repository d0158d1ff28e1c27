"""Whole trials in closed form: drop landings, a drop jump, a countermovement jump.

Every trial is a function of time without any sampling, so that its metrics can be computed from
dense samples by plain formulas (`closed_truth`), and written at any rate for the pipeline
(`closed_study`). Forces are in body weights, angles in degrees, times in s on the trial's clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from tests.known_answers.signals import MASS, G, Jump

Array = NDArray[np.float64]

DROP_M = 0.30
STIFFNESS = 14000.0
"""N/m for 70 kg: the spring-mass landing of the closed forms (4.638 BW from 0.30 m)."""
JUMP_STIFFNESS = 9000.0
"""N/m: so soft that the body stays heavy on the plate while it comes to rest after the jump."""
RECOVERY_PER_S = 12.0
RISE_S = 0.200
"""Of the landing on toe and heel: until it carries the body weight."""
SHARES = {"left": 0.55, "right": 0.45}
TOE_AND_HEEL_TASK = "single_leg_drop_landing_stiff"


@dataclass(frozen=True)
class Support:
    """A mass lands on an undamped spring and, from the lowest point on, comes to rest.

    Until the lowest point: m x'' = m g - k x. After it the force is
    1 + A (1 + l s - l^2 s^2) exp(-l s) body weights, s from the lowest point, A the net peak: a
    smooth end of the peak, and its integral is zero, so the body comes to rest again.
    """

    speed: float
    stiffness: float = STIFFNESS

    @property
    def omega(self) -> float:
        return math.sqrt(self.stiffness / MASS)

    @property
    def lowest_s(self) -> float:
        return (math.pi - math.atan(self.speed * self.omega / G)) / self.omega

    @property
    def peak_bw(self) -> float:
        return 1.0 + math.sqrt(1.0 + (self.speed * self.omega / G) ** 2)

    def on_spring(self, time: Array) -> Array:
        phase = self.omega * time
        return 1.0 - np.cos(phase) + self.speed * self.omega / G * np.sin(phase)

    def force(self, time: Array) -> Array:
        after = np.maximum(time - self.lowest_s, 0.0) * RECOVERY_PER_S
        rest = 1.0 + (self.peak_bw - 1.0) * (1.0 + after - after**2) * np.exp(-after)
        on_body = np.where(time < self.lowest_s, self.on_spring(np.maximum(time, 0.0)), rest)
        return np.where(time < 0.0, 0.0, on_body)


@dataclass(frozen=True)
class ToeAndHeel:
    """A landing on the toe and then on the heel: the force is a sum of smooth bumps.

    In body weights a sin^2(pi (t - s) / w) each, over a rise to body weight; the last one is below
    zero, as the body gets up a little after its lowest point. The height of the leg's bump follows
    from the speed: the net impulse of all is the momentum of the fall.
    """

    speed: float

    @property
    def bumps(self) -> tuple[tuple[float, float, float], ...]:
        """Height (BW), start and width (s): toe, heel, leg, getting up."""
        toe, heel, rising = (1.6, 0.0, 0.040), (3.6, 0.030, 0.070), (-0.15, 0.300, 0.400)
        others = sum(0.5 * height * width for height, _, width in (toe, heel, rising))
        leg_s = 0.300
        height = 2.0 * (self.speed / G + 0.5 * RISE_S - others) / leg_s
        return toe, heel, (height, 0.0, leg_s), rising

    def force(self, time: Array) -> Array:
        total = _rise(time, 0.0, RISE_S)
        for height, start, width in self.bumps:
            part = np.clip((time - start) / width, 0.0, 1.0)
            total = total + height * np.sin(np.pi * part) ** 2
        return total

    def _net_impulse(self, time: float) -> float:
        """Integral of force minus body weight from contact, BW s."""
        risen = min(time, RISE_S)
        swing = RISE_S / math.pi * math.sin(math.pi * risen / RISE_S)
        total = 0.5 * (risen - swing) + (time - risen) - time
        for height, start, width in self.bumps:
            part = min(max((time - start) / width, 0.0), 1.0)
            swing = math.sin(2.0 * math.pi * part) / (2.0 * math.pi)
            total += 0.5 * height * width * (part - swing)
        return total

    @cached_property
    def lowest_s(self) -> float:
        """Where the impulse has used up the speed, before the body gets up."""
        used_up = self.speed / G
        return float(
            brentq(lambda time: self._net_impulse(time) - used_up, 0.100, 0.300, xtol=1e-14)
        )


@dataclass(frozen=True)
class Contact:
    """One landing of a trial.

    Parameters
    ----------
    number : 1 or 2
    time_s : initial contact
    speed : downward speed at contact, m/s
    takeoff_s : take-off before the landing (a jump) or after it (landing 1 of a drop jump)
    lowest_s : lowest point of the centre of mass
    """

    number: int
    time_s: float
    speed: float
    lowest_s: float
    takeoff_s: float | None = None


@dataclass(frozen=True)
class Movement:
    """A trial: when it begins to move, and what the body, the limbs and the knee do.

    Parameters
    ----------
    task : one of the tasks of the study
    shift_s : moves everything, so that events fall between samples in many ways
    """

    task: str
    shift_s: float = 0.0

    @property
    def box_height_m(self) -> float | None:
        return None if self.task == "countermovement_jump" else DROP_M

    @property
    def sides(self) -> tuple[str, ...]:
        return ("left",) if self.task.startswith("single_leg") else ("left", "right")

    @property
    def drop_contact_s(self) -> float:
        return 3.0 + self.shift_s

    @property
    def drop_speed(self) -> float:
        return math.sqrt(2.0 * G * DROP_M)

    @property
    def jump(self) -> Jump:
        return Jump(start=2.0 + self.shift_s)

    def landing_of(self, speed: float) -> Support | ToeAndHeel:
        """Return the landing at a speed: of the task's stiffness, or on toe and heel."""
        if self.task == TOE_AND_HEEL_TASK:
            return ToeAndHeel(speed)
        jumps = self.task == "countermovement_jump"
        return Support(speed, JUMP_STIFFNESS if jumps else STIFFNESS)

    @cached_property
    def contacts(self) -> tuple[Contact, ...]:
        if self.task == "countermovement_jump":
            jump = self.jump
            landing = self.landing_of(jump.takeoff_speed)
            return (
                Contact(
                    1,
                    jump.contact,
                    jump.takeoff_speed,
                    jump.contact + landing.lowest_s,
                    jump.takeoff,
                ),
            )
        first, speed = self.drop_contact_s, self.drop_speed
        landing = self.landing_of(speed)
        if self.task == "drop_vertical_jump":
            takeoff = first + 2.0 * landing.lowest_s
            second = takeoff + 2.0 * speed / G
            return (
                Contact(1, first, speed, first + landing.lowest_s, takeoff),
                Contact(2, second, speed, second + landing.lowest_s, takeoff),
            )
        return (Contact(1, first, speed, first + landing.lowest_s),)

    @property
    def duration_s(self) -> float:
        return 8.0

    def force(self, time: Array) -> Array:
        """Force on the plates, all limbs together."""
        last = self.contacts[-1]
        landing = self.landing_of(last.speed).force(time - last.time_s)
        if self.task == "countermovement_jump":
            return np.where(time < last.time_s, self.jump.until_takeoff(time), landing)
        if self.task == "drop_vertical_jump":
            first = self.contacts[0]
            on_plate = (time >= first.time_s) & (time < (first.takeoff_s or 0.0))
            spring = Support(first.speed).on_spring(time - first.time_s)
            return np.where(on_plate, np.maximum(spring, 0.0), landing)
        return landing

    def share(self, side: str) -> float:
        """Part of the force that a limb carries."""
        if self.sides == ("left",):
            return 1.0 if side == "left" else 0.0
        return SHARES[side]

    def specific_force(self, time: Array) -> Array:
        """Vertical specific force of the body in g: of the plates, before a drop of the box."""
        force = self.force(time)
        if self.task == "countermovement_jump":
            return force
        fall = math.sqrt(2.0 * DROP_M / G)
        return np.where(time < self.drop_contact_s - fall, 1.0, force)

    def knee(self, side: str, time: Array) -> Array:
        """Knee flexion: bends by 75 degrees within 0.35 s, 0.10 s of it before contact."""
        if side not in self.sides:
            return np.zeros_like(time)
        return _bend(time, self.contacts[0].time_s)

    def knee_rate(self, side: str, time: Array) -> Array:
        """Rate of knee flexion in degrees per s, the derivative of `knee`."""
        if side not in self.sides:
            return np.zeros_like(time)
        contact = self.contacts[0].time_s
        return _bend_rate(time, contact)


FLEXION_DEG, FLEXION_S, BEFORE_CONTACT_S = 75.0, 0.35, 0.10
_HELD_UNTIL_S, _EXTENSION_S = 0.6, 1.2


def _rise(time: Array, start: float, length: float) -> Array:
    part = np.clip((time - start) / length, 0.0, 1.0)
    return 0.5 * (1.0 - np.cos(np.pi * part))


def _rise_rate(time: Array, start: float, length: float) -> Array:
    part = (time - start) / length
    inside = (part > 0.0) & (part < 1.0)
    return np.where(inside, 0.5 * np.pi / length * np.sin(np.pi * part), 0.0)


def _bend(time: Array, contact: float) -> Array:
    bent = _rise(time, contact - BEFORE_CONTACT_S, FLEXION_S)
    return FLEXION_DEG * (bent - _rise(time, contact + _HELD_UNTIL_S, _EXTENSION_S))


def _bend_rate(time: Array, contact: float) -> Array:
    bent = _rise_rate(time, contact - BEFORE_CONTACT_S, FLEXION_S)
    return FLEXION_DEG * (bent - _rise_rate(time, contact + _HELD_UNTIL_S, _EXTENSION_S))
