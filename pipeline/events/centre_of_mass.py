"""Speed of the centre of mass at contact, and its lowest point, from the vertical force.

The speed at contact cannot come from the landing force alone. It is taken from the flight before,
from the jump that follows, from a final quiet stance, or from a measured drop of the centre of
mass; the caller stores which. The height of the box is not the drop of the centre of mass.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.events.phases import Event
from pipeline.filtering.sampled import cumulative_integral, integral_between, value_at
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


def lowest_centre_of_mass(
    force: Signal,
    rate_hz: float,
    *,
    contact: float,
    impact_speed: float,
    body_weight_n: float,
    gravity: float = STANDARD_GRAVITY,
    search_s: float = 1.0,
) -> Event | None:
    """Return when the downward speed of the centre of mass has come to zero after a contact.

    None when that does not happen within `search_s` (or the recording).

    Parameters
    ----------
    force
        Vertical force, summed over the plates, offset removed, shape (samples,).
    contact
        Position of the initial contact.
    impact_speed
        Downward speed at contact, m/s, positive.
    """
    begin = math.ceil(contact)
    end = min(begin + math.ceil(search_s * rate_hz) + 1, len(force))
    if end - begin < 2:
        return None
    net = gravity * (force[begin:end] / body_weight_n - 1.0)
    at_contact = gravity * (value_at(force, contact) / body_weight_n - 1.0)
    to_first_sample = 0.5 * (at_contact + net[0]) * (begin - contact) / rate_hz
    speed = cumulative_integral(net, rate_hz) + (to_first_sample - impact_speed)
    upward = np.flatnonzero(speed >= 0.0)
    if not len(upward):
        return None
    sample = int(upward[0])
    if sample == 0:
        return Event(begin, float(begin))
    # Between two samples the force is nearly constant, so the speed is nearly a straight line.
    fraction = -speed[sample - 1] / (speed[sample] - speed[sample - 1])
    return Event(begin + sample, begin + sample - 1 + float(fraction))
