"""What is true of a closed-form trial, metric by metric, by plain formulas on very dense samples.

Nothing here comes from the pipeline: instants are found by bisection on the formulas, integrals are
sums over samples 10 microseconds apart. By definition contact is where the force passes 20 N, on
either plate for the body, and take-off where the last plate falls below them; how far that lies
from the true touch is a matter of the definition, stated in `definition_lag_ms`. Times by the waist
unit are held against the true touch, for that is what its rule stands for.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from tests.known_answers.closed_movement import Contact, Movement
from tests.known_answers.signals import WEIGHT, G

Array = NDArray[np.float64]

STEP_S = 1e-5
THRESHOLD_N = 20.0


def crossing(movement: Movement, side: str, low: float, high: float) -> float:
    """Return where the force on a limb's plate passes the threshold, between two instants.

    The force must lie on different sides of the threshold at the two.
    """

    def above_n(instant: float) -> float:
        force = movement.share(side) * movement.force(np.array([instant]))[0]
        return float(force * WEIGHT - THRESHOLD_N)

    return float(brentq(above_n, low, high, xtol=1e-14))


@dataclass(frozen=True)
class Scene:
    """A landing, seen by one limb or by the whole body.

    Parameters
    ----------
    movement, contact : the trial and the landing
    side : left, right, or both (the whole body)
    """

    movement: Movement
    contact: Contact
    side: str

    @property
    def _limbs(self) -> tuple[str, ...]:
        return self.movement.sides if self.side == "both" else (self.side,)

    @cached_property
    def contact_s(self) -> float:
        """Initial contact by its definition, on the trial's clock."""
        touch = self.contact.time_s
        return min(
            crossing(self.movement, side, touch - 1e-3, touch + 0.020) for side in self._limbs
        )

    @cached_property
    def takeoff_s(self) -> float:
        """Take-off by its definition, before the landing or (landing 1 of a drop jump) after it."""
        if self.contact.takeoff_s is None:
            return math.nan
        leaves = self.contact.takeoff_s
        return max(
            crossing(self.movement, side, leaves - 0.020, leaves + 1e-3) for side in self._limbs
        )

    @property
    def definition_lag_ms(self) -> float:
        """How much later than the true touch the definition sees the contact."""
        return 1000.0 * (self.contact_s - self.contact.time_s)

    @cached_property
    def time(self) -> Array:
        """Seconds from contact, one second long."""
        return np.arange(round(1.0 / STEP_S) + 1) * STEP_S

    @cached_property
    def body(self) -> Array:
        """Force on the whole body, BW."""
        return self.movement.force(self.contact_s + self.time)

    @cached_property
    def force(self) -> Array:
        """Force on what is looked at, BW."""
        whole = self.side == "both" or self.movement.sides == ("left",)
        return self.body * (1.0 if whole else self.movement.share(self.side))

    @property
    def lowest_s(self) -> float:
        return self.contact.lowest_s - self.contact_s

    def until(self, end_s: float) -> slice:
        return slice(0, math.floor(end_s / STEP_S) + 1)

    def integral(self, values: Array, end_s: float) -> float:
        part = values[self.until(end_s)]
        return float((part.sum() - 0.5 * (part[0] + part[-1])) * STEP_S)

    @cached_property
    def peak_sample(self) -> int:
        return int(np.argmax(self.force[self.until(min(0.200, self.lowest_s))]))

    @cached_property
    def peak(self) -> float:
        return float(self.force[self.peak_sample])

    @property
    def peak_s(self) -> float:
        return self.peak_sample * STEP_S

    @property
    def between_s(self) -> float:
        """Time between take-off and contact, whichever comes first, by their definitions."""
        return abs(self.contact_s - self.takeoff_s)

    @property
    def truly_between_s(self) -> float:
        """The same between the true touches."""
        return abs(self.contact.time_s - (self.contact.takeoff_s or math.nan))

    @cached_property
    def knee(self) -> Array:
        return self.movement.knee(self.side, self.contact_s + self.time)

    @cached_property
    def knee_rate(self) -> Array:
        return self.movement.knee_rate(self.side, self.contact_s + self.time)

    @property
    def knee_window(self) -> slice:
        end = 0.400
        if self.takeoff_s > self.contact_s:  # false without a take-off
            end = min(end, self.takeoff_s - self.contact_s)
        return self.until(end)


def _peak_flexion(scene: Scene) -> float:
    return float(scene.knee[scene.knee_window].max())


def _peak_flexion_rate(scene: Scene) -> float:
    angle = scene.knee[scene.knee_window]
    return float(scene.knee_rate[: int(np.argmax(angle)) + 1].max())


def _takeoff_speed(scene: Scene) -> float:
    """Speed where the definition sees the take-off: the last 20 N have not braked yet."""
    leaves = scene.contact.takeoff_s or math.nan
    left = np.arange(scene.takeoff_s, leaves, STEP_S / 10.0)
    braked = G * float((1.0 - scene.movement.force(left)).sum()) * STEP_S / 10.0
    return scene.movement.jump.takeoff_speed + braked


def height_from_impulse(scene: Scene) -> float:
    return _takeoff_speed(scene) ** 2 / (2.0 * G)


def _segment(scene: Scene, share: float) -> float:
    """Peak rate of a segment: thigh and shank take fixed shares of the flexion (closed_study)."""
    return share * _peak_flexion_rate(scene)


def _knee_peak_ms(scene: Scene) -> float:
    return 1000.0 * STEP_S * float(np.argmax(scene.knee[scene.knee_window]))


def _flexion_at_peak_force(scene: Scene) -> float:
    return float(scene.knee[scene.peak_sample])


def contact_by_rule_s(scene: Scene) -> float:
    """Contact by the definition of the waist unit: where the specific force passes 1 g."""
    fine = scene.contact.time_s + np.arange(0.0, 0.060, STEP_S)
    return float(fine[int(np.argmax(scene.movement.specific_force(fine) >= 1.0))])


def _waist(scene: Scene) -> Array:
    """Specific force (g) from the contact by the waist's definition on."""
    return scene.movement.specific_force(contact_by_rule_s(scene) + scene.time)


def _waist_impulse(scene: Scene, duration_s: float) -> float:
    return scene.integral(_waist(scene), duration_s)


def _shock_ms(scene: Scene) -> float:
    return 1000.0 * STEP_S * float((_waist(scene)[scene.until(0.200)] > 2.0).sum())


def _steepest_waist(scene: Scene) -> float:
    return float(np.diff(_waist(scene)[scene.until(0.200)]).max() / STEP_S)


TRUTHS: dict[str, Callable[[Scene], float]] = {
    "peak_vgrf": lambda s: s.peak,
    "time_to_peak_vgrf": lambda s: 1000.0 * s.peak_s,
    "average_loading_rate": lambda s: (s.peak - s.force[0]) / s.peak_s,
    "impulse_first_50_ms": lambda s: s.integral(s.force, 0.050),
    "impulse_first_100_ms": lambda s: s.integral(s.force, 0.100),
    "flight_time": lambda s: s.between_s,
    "contact_time": lambda s: s.between_s,
    "jump_height_from_flight_time": lambda s: G * s.between_s**2 / 8.0,
    "jump_height_from_impulse": height_from_impulse,
    "peak_waist_acceleration": lambda s: float(s.body[s.until(0.200)].max()),
    "peak_vertical_waist_acceleration": lambda s: float(s.body[s.until(0.200)].max()),
    "peak_waist_loading_rate": _steepest_waist,
    "waist_impulse_first_50_ms": lambda s: _waist_impulse(s, 0.050),
    "waist_impulse_first_100_ms": lambda s: _waist_impulse(s, 0.100),
    "waist_shock_duration": _shock_ms,
    "contact_lag_of_waist": lambda s: 1000.0 * (contact_by_rule_s(s) - s.contact_s),
    "knee_flexion_at_contact": lambda s: float(s.knee[0]),
    "peak_knee_flexion": _peak_flexion,
    "knee_flexion_excursion": lambda s: _peak_flexion(s) - float(s.knee[0]),
    "peak_knee_flexion_rate": _peak_flexion_rate,
    "time_to_peak_knee_flexion": _knee_peak_ms,
    "knee_flexion_rate_at_contact": lambda s: float(s.knee_rate[0]),
    "mean_knee_flexion_rate_first_100_ms": lambda s: s.integral(s.knee_rate, 0.100) / 0.100,
    "peak_thigh_rate": lambda s: _segment(s, 0.6),
    "peak_shank_rate": lambda s: _segment(s, 0.4),
    "knee_flexion_at_peak_vgrf": _flexion_at_peak_force,
}
"""Metric -> its true value in the unit of the metric dictionary."""

WAIST_TRUTHS: dict[str, Callable[[Scene], float]] = {
    "flight_time": lambda s: s.truly_between_s,
    "contact_time": lambda s: s.truly_between_s,
    "jump_height_from_flight_time": lambda s: G * s.truly_between_s**2 / 8.0,
}
"""Where the truth of the waist unit is another one."""


def _by_rule_s(scene: Scene) -> float:
    """Time between take-off and contact where the rule of the waist unit puts them.

    Contact: the specific force passes 1 g; take-off: it falls below 0.4 g.
    """
    falling = (scene.contact.takeoff_s or math.nan) + np.arange(-0.100, 0.005, STEP_S)
    takeoff = falling[int(np.argmax(scene.movement.specific_force(falling) < 0.4))]
    return abs(contact_by_rule_s(scene) - float(takeoff))


RULE_TRUTHS: dict[str, Callable[[Scene], float]] = {
    "flight_time": _by_rule_s,
    "contact_time": _by_rule_s,
    "jump_height_from_flight_time": lambda s: G * _by_rule_s(s) ** 2 / 8.0,
}
"""The same times of the waist unit where its rule puts contact and take-off."""


def truth_of(metric: str, sensor: str) -> Callable[[Scene], float] | None:
    """Return what gives the true value of a metric by a sensor; None where nothing is known."""
    if sensor == "waist" and metric in WAIST_TRUTHS:
        return WAIST_TRUTHS[metric]
    return TRUTHS.get(metric)


def scenes(movement: Movement) -> dict[tuple[str, int], Scene]:
    """Return the landings of a trial by side and number."""
    body = "left" if movement.sides == ("left",) else "both"
    sides = (body,) if body == "left" else ("both", *movement.sides)
    return {
        (side, contact.number): Scene(movement, contact, side)
        for contact in movement.contacts
        for side in sides
    }
