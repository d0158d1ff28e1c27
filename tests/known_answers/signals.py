"""Closed-form landings and jumps: force, speed and events are known without any program.

Times are in s, forces in N, contact at time 0 unless said otherwise. x points down from the height
at contact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

G = 9.80665
MASS = 70.0
WEIGHT = MASS * G
STOMP_PROTOCOL = {"stomp_at": ["start"], "search_s": 3.0}
"""Of the closed forms with a stomp; that of the demo's settings is the demo's."""


def sample_times(rate_hz: float, duration_s: float) -> Array:
    return np.arange(round(duration_s * rate_hz) + 1) / rate_hz


def half_sine(time: Array, peak: float, width_s: float) -> Array:
    inside = (time >= 0.0) & (time <= width_s)
    return np.where(inside, peak * np.sin(np.pi * np.clip(time, 0.0, width_s) / width_s), 0.0)


@dataclass(frozen=True)
class SpringMass:
    """A mass that lands on a damped spring: m x'' = m g - k x - c x', x(0) = 0, x'(0) = v0."""

    stiffness: float
    damping_ratio: float
    impact_speed: float
    mass: float = MASS

    @property
    def omega(self) -> float:
        return math.sqrt(self.stiffness / self.mass)

    @property
    def damping(self) -> float:
        return 2.0 * self.damping_ratio * math.sqrt(self.stiffness * self.mass)

    def _state(self, time: Array) -> tuple[Array, Array]:
        decay = self.damping_ratio * self.omega
        omega_d = self.omega * math.sqrt(1.0 - self.damping_ratio**2)
        rest = self.mass * G / self.stiffness
        a = -rest
        b = (self.impact_speed + decay * a) / omega_d
        envelope, c, s = np.exp(-decay * time), np.cos(omega_d * time), np.sin(omega_d * time)
        x = rest + envelope * (a * c + b * s)
        v = envelope * ((omega_d * b - decay * a) * c - (omega_d * a + decay * b) * s)
        return x, v

    def force(self, time: Array) -> Array:
        """Force on the plate; 0 before contact."""
        after = np.maximum(time, 0.0)
        x, v = self._state(after)
        return np.where(time >= 0.0, self.stiffness * x + self.damping * v, 0.0)

    def depth(self, time: float) -> float:
        return float(self._state(np.array([time]))[0][0])

    def speed(self, time: float) -> float:
        return float(self._state(np.array([time]))[1][0])

    def gross_impulse_bw_s(self, first: float, last: float) -> float:
        """Momentum: the integral of F dt is m (g t + v(first) - v(last))."""
        change = self.speed(first) - self.speed(last)
        return (last - first) + change / G

    def time_of(self, force: float, until: float) -> float:
        """First time at which the force reaches a value (bisection on a rising force)."""
        low, high = 0.0, until
        if float(self.force(np.array([0.0]))[0]) >= force:
            return 0.0
        for _ in range(80):
            middle = 0.5 * (low + high)
            if float(self.force(np.array([middle]))[0]) < force:
                low = middle
            else:
                high = middle
        return high


@dataclass(frozen=True)
class Jump:
    """Quiet stance, countermovement, push-off, flight, landing on a spring, quiet stance.

    The acceleration is -a sin(2 pi t / dip) (down and back to rest), then b sin(pi t / push), then
    the force falls in a straight line from body weight to zero. Take-off speed is therefore
    2 b push / pi - g fall / 2, whatever the plate does.
    """

    start: float = 2.0
    dip: float = 0.5
    dip_acceleration: float = 5.0
    push: float = 0.3
    push_acceleration: float = 14.0
    fall: float = 0.010
    stiffness: float = 9000.0
    damping_ratio: float = 0.8
    end: float = 7.0

    @property
    def takeoff(self) -> float:
        return self.start + self.dip + self.push + self.fall

    @property
    def takeoff_speed(self) -> float:
        return 2.0 * self.push_acceleration * self.push / math.pi - 0.5 * G * self.fall

    @property
    def flight_time(self) -> float:
        return 2.0 * self.takeoff_speed / G

    @property
    def contact(self) -> float:
        return self.takeoff + self.flight_time

    @property
    def height(self) -> float:
        return self.takeoff_speed**2 / (2.0 * G)

    @property
    def landing(self) -> SpringMass:
        return SpringMass(self.stiffness, self.damping_ratio, self.takeoff_speed)

    def until_takeoff(self, time: Array) -> Array:
        """Force on the plate before the landing, in body weights, at any times."""
        force = np.ones_like(time)
        dip = (time >= self.start) & (time < self.start + self.dip)
        swing = np.sin(2.0 * np.pi * (time - self.start) / self.dip)
        force = np.where(dip, 1.0 - self.dip_acceleration / G * swing, force)
        begin = self.start + self.dip
        push = (time >= begin) & (time < begin + self.push)
        rise = np.sin(np.pi * (time - begin) / self.push)
        force = np.where(push, 1.0 + self.push_acceleration / G * rise, force)
        begin += self.push
        falling = (time >= begin) & (time < self.takeoff)
        force = np.where(falling, 1.0 - (time - begin) / self.fall, force)
        return np.where(time >= self.takeoff, 0.0, force)

    def force(self, rate_hz: float) -> Array:
        time = sample_times(rate_hz, self.end)
        force = WEIGHT * self.until_takeoff(time)
        after = time >= self.contact
        force[after] = self.landing.force(time[after] - self.contact)
        return force


def drop_jump_force(rate_hz: float, contact: float, drop: SpringMass, jump: Jump) -> Array:
    """Empty plate, landing on an undamped spring that throws the body up again, flight, landing 2.

    An undamped spring returns the impact speed, so the take-off speed is `drop.impact_speed`,
    which must be that of `jump`'s landing; see `drop_jump_times`.
    """
    _, takeoff, second = drop_jump_times(contact, drop)
    time = sample_times(rate_hz, second + 4.0)
    force = np.zeros_like(time)
    on_plate = (time >= contact) & (time < takeoff)
    force[on_plate] = drop.force(time[on_plate] - contact)
    landing = SpringMass(jump.stiffness, jump.damping_ratio, drop.impact_speed)
    after = time >= second
    force[after] = landing.force(time[after] - second)
    return force


def drop_jump_times(contact: float, drop: SpringMass) -> tuple[float, float, float]:
    """Contact, take-off and second contact of `drop_jump_force` (9.3: contact lasts 2 t_peak)."""
    ratio = drop.impact_speed * drop.omega / G
    takeoff = contact + 2.0 * (math.pi - math.atan(ratio)) / drop.omega
    return contact, takeoff, takeoff + 2.0 * drop.impact_speed / G
