"""Metrics of the whole body as one mass: impulses, displacement, work, stiffness.

They need the speed at contact, which the landing force alone cannot give (see
`pipeline.events.centre_of_mass`), and exist for the whole body only, never for one limb of two.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.events.centre_of_mass import Descent
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason
from shared.units import STANDARD_GRAVITY


def _measured(value: float, way: Descent) -> Measured:
    return Measured(value, math.floor(way.contact), math.ceil(way.lowest))


def time_to_lowest_point(way: Descent, rate_hz: float) -> Measured:
    """Return the time from contact to the lowest centre of mass, in ms."""
    return _measured((way.lowest - way.contact) / rate_hz * 1000.0, way)


def net_braking_impulse(
    way: Descent, rate_hz: float, *, body_weight_n: float, gravity: float = STANDARD_GRAVITY
) -> Measured:
    """Return the impulse of force minus body weight to the lowest point, per mass, N s/kg.

    It equals the speed at contact that the way down began with, whatever its error.
    """
    gross = float(np.trapezoid(way.force_n, way.positions)) / rate_hz
    duration_s = (way.lowest - way.contact) / rate_hz
    return _measured(gravity * (gross / body_weight_n - duration_s), way)


def displacement(way: Descent) -> Measured:
    """Return how far the centre of mass moves down from contact to its lowest point, in m."""
    return _measured(float(way.depth_m[-1]), way)


def negative_work(
    way: Descent, rate_hz: float, *, body_weight_n: float, gravity: float = STANDARD_GRAVITY
) -> Measured:
    """Return the work that the force takes out of the body until the lowest point, J/kg.

    Equals v^2/2 + g times the displacement. It is that of the whole body, not of the knee.
    """
    power = way.force_n * way.speed
    work = float(np.trapezoid(power, way.positions)) / rate_hz
    return _measured(work * gravity / body_weight_n, way)


def force_displacement_correlation(way: Descent) -> Measured:
    """Return Pearson's correlation of force and displacement on the way down (1 on a spring).

    Every instant counts alike, not every sample: contact and lowest point lie between samples, and
    a weight of a whole sample there would move the correlation of a short way by a tenth.
    """
    halves = 0.5 * np.diff(way.positions)
    share = np.concatenate((halves, [0.0])) + np.concatenate(([0.0], halves))
    share /= share.sum()
    force = way.force_n - share @ way.force_n
    depth = way.depth_m - share @ way.depth_m
    spread = math.sqrt(float(share @ (force * force)) * float(share @ (depth * depth)))
    return _measured(float(share @ (force * depth)) / spread if spread > 0.0 else 0.0, way)


def vertical_stiffness(way: Descent, correlation: float, *, smallest_correlation: float) -> Outcome:
    """Return the force at the lowest point over the displacement, kN/m.

    Refused where force and displacement do not go together as on a spring (their `correlation`):
    the quotient would then be a number without a meaning.
    """
    if correlation < smallest_correlation:
        return Refused(
            Reason.NOT_SPRING_LIKE,
            f"force and displacement correlate by {correlation:.2f}, a spring model needs "
            f"{smallest_correlation:.2f}",
        )
    return _measured(float(way.force_n[-1] / way.depth_m[-1]) / 1000.0, way)
