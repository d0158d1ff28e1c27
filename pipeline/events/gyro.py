"""Initial contact on the gyroscopes of thigh and shank, for trials in which nothing else saw it.

A gyroscope feels no force. What it sees is that the ground suddenly turns the shank forward over
the foot: the rate of the shank bends most sharply there. That is some 10 ms late, and early by
as much as the knee bends before it touches the ground, if nothing bends sharply at contact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.events.phases import Event
from pipeline.filtering.sampled import cumulative_integral, derivative, peak_position
from pipeline.filtering.spells import spells

Signal = NDArray[np.float64]


def gyro_contact(
    thigh: Signal,
    shank: Signal,
    rate_hz: float,
    *,
    gyro_landing_share: float,
    gyro_landing_rate_deg_s: float,
) -> Event | None:
    """Find the contact of a landing from a box; None where no flexion looks like a landing.

    The landing is the first flexion of the knee in which the shank turns forward by
    `gyro_landing_share` of its largest such turn, and whose rate reaches
    `gyro_landing_rate_deg_s`: a knee lifted to step off bends too, but its shank swings the other
    way. Within it, between the reversal of the knee's rate and the fastest turn of the shank, the
    contact is where the shank's rate bends most sharply (largest second derivative). Source of
    reversal and of sharpest change: common practice, no source; their combination was chosen on
    simulated landings, no source.

    Parameters
    ----------
    thigh, shank
        Filtered rates about the flexion axis, rad/s, shape (samples,); hip flexion turns the thigh
        the positive way.
    """
    flexion, forward = thigh - shank, -shank
    starts, ends = spells(flexion > 0.0)
    if not len(starts):
        return None
    angle = cumulative_integral(forward, rate_hz)
    turns = angle[ends - 1] - angle[starts]
    rates = np.maximum.reduceat(np.maximum(flexion, 0.0), starts)
    fast = rates >= np.radians(gyro_landing_rate_deg_s)
    landings = np.flatnonzero(fast & (turns > 0.0) & (turns >= gyro_landing_share * turns.max()))
    if not len(landings):
        return None
    first, end = int(starts[landings[0]]), int(ends[landings[0]])
    fastest = first + int(np.argmax(forward[first:end]))
    # Two samples more on either side: the ends of a derivative are one-sided.
    begin = max(first - 2, 0)
    bend = derivative(derivative(forward[begin : fastest + 3], rate_hz), rate_hz)
    sharpest = first - begin + int(np.argmax(bend[first - begin : fastest - begin + 1]))
    position = begin + peak_position(bend, sharpest)
    return Event(int(np.ceil(position)), position)
