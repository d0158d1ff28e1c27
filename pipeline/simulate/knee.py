"""Knee, thigh and shank in the sagittal plane: smooth angles whose rates are exact derivatives."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.canvas import quintic
from pipeline.simulate.movement import Motion
from pipeline.simulate.style import DROP_LANDINGS, FROM_BOX, Performance

Array = NDArray[np.float64]

_LATEST_PEAK_S = 0.39  # the knee metrics look 400 ms beyond contact
_EARLIEST_PEAK_S = 0.08
_TAKEOFF_ANGLE_DEG = 12.0
_TAKEOFF_RATE_DEG_S = -120.0
_DIP_ANGLE_DEG = 85.0
_SWING_DEG = 12.0
_HOLD_S = 0.25  # after peak flexion the knee stays bent about this long


@dataclass(frozen=True)
class Knot:
    """Angle (deg), rate (deg/s) and acceleration (deg/s²) at an instant (s)."""

    time: float
    angle: float
    rate: float = 0.0
    acceleration: float = 0.0


class Track:
    """A twice differentiable angle through knots; constant before the first and after the last."""

    def __init__(self, knots: list[Knot]):
        self._starts = np.array([knot.time for knot in knots])
        pieces = [
            quintic(
                b.time - a.time,
                (a.angle, a.rate, a.acceleration),
                (b.angle, b.rate, b.acceleration),
            )
            for a, b in pairwise(knots)
        ]
        before = np.array([knots[0].angle, 0.0, 0.0, 0.0, 0.0, 0.0])
        after = np.array([knots[-1].angle, 0.0, 0.0, 0.0, 0.0, 0.0])
        self._coefficients = np.stack([before, *pieces, after])

    def _locate(self, t: Array) -> tuple[Array, Array]:
        piece = np.searchsorted(self._starts, t, side="right")
        since = t - self._starts[np.maximum(piece - 1, 0)]
        return self._coefficients[piece].T, since

    def angle(self, t: Array) -> Array:
        """Return the angle in degrees at times `t` (s)."""
        c, s = self._locate(t)
        return c[0] + s * (c[1] + s * (c[2] + s * (c[3] + s * (c[4] + s * c[5]))))

    def rate(self, t: Array) -> Array:
        """Return the rate in degrees per second at times `t` (s)."""
        c, s = self._locate(t)
        return c[1] + s * (2 * c[2] + s * (3 * c[3] + s * (4 * c[4] + s * 5 * c[5])))


@dataclass(frozen=True)
class Leg:
    """One leg: knee flexion, the thigh's share of it, and the swing of the whole leg."""

    knee: Track
    swing: Track
    thigh_share: float

    def thigh_rate(self, t: Array) -> Array:
        """Return the thigh's sagittal rate (deg/s)."""
        return self.thigh_share * self.knee.rate(t) + self.swing.rate(t)

    def shank_rate(self, t: Array) -> Array:
        """Return the shank's sagittal rate (deg/s); knee rate = thigh rate - shank rate."""
        return (self.thigh_share - 1.0) * self.knee.rate(t) + self.swing.rate(t)


def _absorb(contact: float, lowest: float, row: dict[str, float], share: float) -> list[Knot]:
    """Return the knots of a landing: contact and peak flexion; `share` scales the excursion."""
    excursion = share * row["knee_excursion_deg"]
    peak_s = float(
        np.clip(row["knee_peak_time_share"] * (lowest - contact), _EARLIEST_PEAK_S, _LATEST_PEAK_S)
    )
    angle = row["knee_angle_at_contact_deg"]
    rate = row["knee_contact_rate_share"] * excursion / peak_s
    brake = -4.0 * excursion / peak_s**2
    return [
        Knot(contact, angle, rate),
        Knot(contact + peak_s, angle + excursion, 0.0, brake),
    ]


def make_leg(performance: Performance, motion: Motion, row: dict[str, float]) -> Leg:
    """Return the angles of one leg; `row` holds the style parameters of its side."""
    stand = row["standing_knee_angle_deg"]
    begin, end = motion.moving_s
    knots = [Knot(begin, stand)]
    swing = [Knot(begin, 0.0)]
    landings = list(zip(motion.contact_s, motion.lowest_s, strict=True))
    if performance.task not in FROM_BOX:
        assert motion.bottom_s is not None
        knots.append(Knot(motion.bottom_s, _DIP_ANGLE_DEG))
    else:
        contact, lowest = landings.pop(0)
        lift = begin + 0.45 * (contact - begin)
        knots.append(Knot(lift, row["knee_angle_at_contact_deg"] + 6.0))
        knots += _absorb(contact, lowest, row, 1.0)
        swing += [Knot(lift, _SWING_DEG), Knot(contact, 0.3 * _SWING_DEG, -20.0)]
    for takeoff, (contact, lowest) in zip(motion.takeoff_s, landings, strict=True):
        knots.append(Knot(takeoff, _TAKEOFF_ANGLE_DEG, _TAKEOFF_RATE_DEG_S))
        knots += _absorb(contact, lowest, row, 0.3 if performance.task in DROP_LANDINGS else 0.8)
    deepest = knots[-1]
    hold = min(deepest.time + _HOLD_S, 0.5 * (deepest.time + end))
    knots.append(Knot(hold, stand + 0.75 * (deepest.angle - stand)))
    knots.append(Knot(end, stand))
    swing.append(Knot(end, 0.0))
    return Leg(Track(knots), Track(swing), row["thigh_share"])
