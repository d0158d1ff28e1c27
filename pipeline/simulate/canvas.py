"""The dense grid on which a trial's specific force is painted, piece by piece."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.contact import DENSE_RATE_HZ
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]


def on_grid(seconds: float) -> float:
    """Return the first instant of the dense grid that is not before `seconds`."""
    return float(np.ceil(seconds * DENSE_RATE_HZ - 1e-9)) / DENSE_RATE_HZ


def quintic(
    duration: float, start: tuple[float, float, float], end: tuple[float, float, float]
) -> Array:
    """Return the 6 coefficients (lowest power first) of height over time since the start.

    `start` and `end` give height, velocity and acceleration.
    """
    height, velocity, acceleration = start
    t = duration
    rest = np.array(
        [
            end[0] - height - velocity * t - 0.5 * acceleration * t * t,
            (end[1] - velocity - acceleration * t) * t,
            (end[2] - acceleration) * t * t,
        ]
    )
    c3 = (10.0 * rest[0] - 4.0 * rest[1] + 0.5 * rest[2]) / t**3
    c4 = (-15.0 * rest[0] + 7.0 * rest[1] - rest[2]) / t**4
    c5 = (6.0 * rest[0] - 3.0 * rest[1] + 0.5 * rest[2]) / t**5
    return np.array([height, velocity, 0.5 * acceleration, c3, c4, c5])


def acceleration_of(coefficients: Array, t: Array) -> Array:
    """Return the second derivative of a quintic at times `t` since its start."""
    c = coefficients
    return 2.0 * c[2] + t * (6.0 * c[3] + t * (12.0 * c[4] + t * 20.0 * c[5]))


class Canvas:
    """Specific force on the dense grid; pieces are painted over standing (1 g)."""

    def __init__(self, duration: float):
        self.count = round(duration * DENSE_RATE_HZ) + 1
        self.force = np.full(self.count, STANDARD_GRAVITY)

    def _span(self, start: float, end: float) -> slice:
        first = int(np.ceil(start * DENSE_RATE_HZ - 1e-9))
        last = int(np.ceil(end * DENSE_RATE_HZ - 1e-9))
        return slice(min(first, self.count), min(last, self.count))

    def _times(self, span: slice, start: float) -> Array:
        return np.arange(span.start, span.stop) / DENSE_RATE_HZ - start

    def fly(self, start: float, end: float) -> None:
        """Paint a flight (start and end in seconds, here and below)."""
        self.force[self._span(start, end)] = 0.0

    def unload(self, start: float, end: float) -> None:
        """Paint what the box still carries while it lets go."""
        span = self._span(start, end)
        share = self._times(span, start) / (end - start)
        self.force[span] = 0.5 * STANDARD_GRAVITY * (1.0 + np.cos(np.pi * share))

    def move(
        self, start: float, end: float, first: tuple[float, float, float], last: tuple[float, ...]
    ) -> None:
        """Paint a movement between two heights, each with its velocity and acceleration."""
        span = self._span(start, end)
        coefficients = quintic(end - start, first, (last[0], last[1], last[2]))
        self.force[span] = STANDARD_GRAVITY + acceleration_of(
            coefficients, self._times(span, start)
        )

    def land(self, start: float, force: Array, lowest_s: float) -> None:
        """Paint a landing from its contact to its lowest point."""
        span = self._span(start, start + lowest_s)
        self.force[span] = force[: span.stop - span.start]
