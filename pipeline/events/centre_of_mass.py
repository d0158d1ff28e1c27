"""Speed of the centre of mass at contact, and its lowest point, from the vertical force.

The speed at contact cannot come from the landing force alone. It is taken from the flight before,
from the jump that follows, from a final quiet stance, or from a measured drop of the centre of
mass; the caller stores which. The height of the box is not the drop of the centre of mass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.sampled import integral_between, value_at
from shared.units import STANDARD_GRAVITY

Signal = NDArray[np.float64]


def impact_speed_from_drop(drop_m: float, *, gravity: float = STANDARD_GRAVITY) -> float:
    """Return the speed (m/s, downward) after a free fall over `drop_m`."""
    return math.sqrt(2.0 * gravity * drop_m)


def impact_speed_from_flight(flight_s: float, *, gravity: float = STANDARD_GRAVITY) -> float:
    """Return the speed at contact after a jump with equal heights at take-off and contact."""
    return 0.5 * gravity * flight_s


def speed_change(
    force: Signal,
    rate_hz: float,
    first: float,
    last: float,
    *,
    body_weight_n: float,
    gravity: float = STANDARD_GRAVITY,
) -> float:
    """Return the change of upward speed (m/s) between two positions: net impulse over mass.

    Raises
    ------
    ValueError
        A position lies outside of the recording.
    """
    gross = integral_between(force, rate_hz, first, last)
    return gravity * (gross / body_weight_n - (last - first) / rate_hz)


def impact_speed_before_jump(
    force: Signal,
    rate_hz: float,
    *,
    contact: float,
    takeoff: float,
    flight_s: float,
    body_weight_n: float,
    gravity: float = STANDARD_GRAVITY,
) -> float:
    """Return the speed at landing 1 of a drop jump from its net impulse and the following flight.

    Net impulse over mass = impact speed + take-off speed, and the latter is g t_flight / 2.
    """
    change = speed_change(
        force, rate_hz, contact, takeoff, body_weight_n=body_weight_n, gravity=gravity
    )
    return change - 0.5 * gravity * flight_s


def impact_speed_from_final_stance(
    force: Signal,
    rate_hz: float,
    *,
    contact: float,
    stance_position: float,
    body_weight_n: float,
    gravity: float = STANDARD_GRAVITY,
) -> float:
    """Return the speed at contact that the net impulse until a final quiet stance has stopped.

    Needs an accurate body weight: an error of 0.1 % over 2 s is 0.02 m/s.
    """
    return speed_change(
        force, rate_hz, contact, stance_position, body_weight_n=body_weight_n, gravity=gravity
    )


@dataclass(frozen=True, slots=True)
class Descent:
    """The centre of mass from an initial contact to its lowest point.

    All arrays have shape (points,): the contact, every sample between, and the lowest point.

    Attributes
    ----------
    positions
        In samples.
    force_n
        Vertical force on the whole body.
    speed
        Downward speed, m/s; 0 at the end.
    depth_m
        Way down since the contact, m; 0 at the start.
    """

    positions: Signal
    force_n: Signal
    speed: Signal
    depth_m: Signal

    @property
    def contact(self) -> float:
        """Position of the initial contact."""
        return float(self.positions[0])

    @property
    def lowest(self) -> float:
        """Position of the lowest point."""
        return float(self.positions[-1])


def descent(
    force: Signal,
    rate_hz: float,
    *,
    contact: float,
    impact_speed: float,
    body_weight_n: float,
    search_s: float,
    gravity: float = STANDARD_GRAVITY,
) -> Descent | None:
    """Follow the centre of mass from a contact until its downward speed has come to zero.

    Integrates the net force over mass twice by the trapezoidal rule. None when the speed does not
    come to zero within `search_s` (or the recording), or was not downward.

    Parameters
    ----------
    force
        Vertical force, summed over the plates, offset removed, shape (samples,).
    contact
        Position of the initial contact.
    impact_speed
        Downward speed at contact, m/s, positive.
    """
    begin = math.floor(contact) + 1
    end = min(begin + math.ceil(search_s * rate_hz) + 1, len(force))
    if end - begin < 2 or impact_speed <= 0.0:
        return None
    loads = np.empty(end - begin + 1)
    loads[0], loads[1:] = value_at(force, contact), force[begin:end]
    # The first step leads from the contact to the next sample, all others from sample to sample.
    to_first = (begin - contact) / rate_hz
    means = 0.5 * (loads[1:] + loads[:-1])
    means -= body_weight_n
    means[0] *= to_first * rate_hz
    speed = np.empty_like(loads)
    speed[0] = impact_speed
    np.cumsum(means, out=speed[1:])
    speed[1:] *= -gravity / (body_weight_n * rate_hz)
    speed[1:] += impact_speed
    stopped = int(np.argmax(speed <= 0.0))
    if speed[stopped] > 0.0:
        return None
    # Between two samples the force is nearly constant, so the speed is nearly a straight line.
    share = speed[stopped - 1] / (speed[stopped - 1] - speed[stopped])
    positions = np.arange(begin - 1, begin + stopped, dtype=np.float64)
    positions[0] = contact
    positions[-1] = positions[-2] + share * (positions[-1] - positions[-2])
    loads, speed = loads[: stopped + 1], speed[: stopped + 1]
    loads[-1] = loads[-2] + share * (loads[-1] - loads[-2])
    speed[-1] = 0.0
    depth = np.zeros_like(speed)
    np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(positions) / rate_hz, out=depth[1:])
    return Descent(positions, loads, speed, depth)
