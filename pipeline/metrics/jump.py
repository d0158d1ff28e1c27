"""Flight, contact, jump height (by flight, impulse, final stance), and height over time."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.events.centre_of_mass import impact_speed_from_final_stance, speed_change
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason
from shared.units import STANDARD_GRAVITY

Signal = NDArray[np.float64]


def time_between(first: float, last: float, rate_hz: float) -> Measured:
    """Return the time from one position to a later one, in s.

    Take-off to contact is the flight time; contact to take-off, the contact time.
    """
    return Measured((last - first) / rate_hz, math.floor(first), math.ceil(last))


def jump_height_from_flight_time(
    flight_time: Measured, *, gravity: float = STANDARD_GRAVITY
) -> Measured:
    """Return g t^2 / 8 in m: equal heights of the centre of mass at take-off and contact.

    Not for a landing from a box or onto one. Source: Linthorne 2001, Am J Phys 69:1198.
    """
    height = gravity * flight_time.value**2 / 8.0
    return Measured(height, flight_time.first_sample, flight_time.last_sample)


def jump_height_from_impulse(
    force: Signal,
    rate_hz: float,
    *,
    onset: float,
    takeoff: float,
    body_weight_n: float,
    gravity: float = STANDARD_GRAVITY,
) -> Outcome:
    """Return v^2 / (2 g) in m, v the take-off speed by the net impulse since the onset.

    Parameters
    ----------
    force
        Vertical force, summed over the plates, offset removed, unfiltered, N, shape (samples,).
    onset
        Position of the movement onset, in quiet standing.
    """
    speed = speed_change(
        force, rate_hz, onset, takeoff, body_weight_n=body_weight_n, gravity=gravity
    )
    if speed <= 0.0:
        return Refused(
            Reason.OUT_OF_RANGE,
            f"the impulse gives a take-off speed of {speed:.2f} m/s: body weight or onset is wrong",
        )
    return Measured(speed**2 / (2.0 * gravity), math.floor(onset), math.ceil(takeoff))


def jump_height_from_final_stance(
    force: Signal,
    rate_hz: float,
    *,
    takeoff: float,
    contact: float,
    stance_position: float,
    body_weight_n: float,
    gravity: float = STANDARD_GRAVITY,
) -> Outcome:
    """Return the height of a jump whose start was not at rest (drop jump), in m.

    Integrates backward from a final quiet stance: the net impulse of landing 2 gives the speed at
    contact, the flight time leads from it to the speed at take-off. The speed at landing 1 and the
    height of the box are not needed.
    """
    impact = impact_speed_from_final_stance(
        force,
        rate_hz,
        contact=contact,
        stance_position=stance_position,
        body_weight_n=body_weight_n,
        gravity=gravity,
    )
    speed = gravity * (contact - takeoff) / rate_hz - impact
    if speed <= 0.0:
        return Refused(
            Reason.OUT_OF_RANGE,
            f"the final stance gives a take-off speed of {speed:.2f} m/s: body weight is wrong or "
            "the stance was not quiet",
        )
    return Measured(speed**2 / (2.0 * gravity), math.floor(takeoff), math.ceil(stance_position))


def height_over_time(height: Outcome, time_s: Outcome) -> Outcome:
    """Return a jump height over the time that it took to reach it, in m/s.

    Height by flight time over contact time is the reactive strength index of a drop jump; height
    by impulse over the time to take-off is the modified one of a countermovement jump. Flight
    time over contact time, also called so, is a different number.
    """
    for part in (height, time_s):
        if isinstance(part, Refused):
            return part
    first = min(height.first_sample, time_s.first_sample)
    last = max(height.last_sample, time_s.last_sample)
    return Measured(height.value / time_s.value, first, last)
