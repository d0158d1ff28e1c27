"""Noise-free signals of a performance on the dense grid: forces, waist, legs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.knee import Leg, make_leg
from pipeline.simulate.movement import Motion
from pipeline.simulate.people import SIDES
from pipeline.simulate.style import Performance, of_body
from pipeline.simulate.waist import specific_force_at_waist
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

_SETTLE_S = 0.012  # a late foot takes up its share of the load over this time
_SWAY_EDGE_S = 0.3


@dataclass(frozen=True)
class Signals:
    """What perfect instruments would see at `DENSE_RATE_HZ`.

    force : N, on "single" (all that the floor carries), "left" and "right"
    waist : (3, n) specific force in m/s², x anterior, y up, z right
    legs : angles of each measured leg
    limb_contact_s : each measured foot's initial contacts
    before_s : how long before the movement's time zero force and waist begin
    """

    performance: Performance
    motion: Motion | None
    body_weight_n: float
    force: dict[str, Array]
    waist: Array
    legs: dict[str, Leg]
    limb_contact_s: dict[str, tuple[float, ...]]
    before_s: float = 0.0

    @property
    def samples(self) -> int:
        """Number of dense samples."""
        return int(self.waist.shape[1])


def smooth_step(u: Array) -> Array:
    """Rise from 0 to 1 while `u` does, with a level start and end."""
    u = np.clip(u, 0.0, 1.0)
    return u * u * (3.0 - 2.0 * u)


def sway_acceleration(
    rng: np.random.Generator, samples: int, quiet: list[tuple[float, float]], rms: float
) -> Array:
    """Return the vertical acceleration (m/s²) of quiet standing in the given windows (s).

    The derivative of a windowed velocity, so it adds no momentum from one end to the other.
    """
    t = np.arange(samples) / DENSE_RATE_HZ
    frequencies = rng.uniform(0.3, 2.5, 4)
    phases = rng.uniform(0.0, 2.0 * np.pi, 4)
    window = np.zeros(samples)
    for start, end in quiet:
        if end - start > 2.0 * _SWAY_EDGE_S:
            window += smooth_step((t - start) / _SWAY_EDGE_S) * smooth_step(
                (end - t) / _SWAY_EDGE_S
            )
    velocity = np.zeros(samples)
    for frequency, phase in zip(frequencies, phases, strict=True):
        w = 2.0 * np.pi * frequency
        velocity += rms / np.sqrt(2.0) / w * np.sin(w * t + phase)
    return np.gradient(velocity * window, 1.0 / DENSE_RATE_HZ)


def _left_share(
    samples: int, contacts: tuple[float, ...], involved_share: float, lag: float, left: bool
) -> Array:
    """Return the left foot's share of the load; the involved foot lands `lag` seconds later."""
    share = np.full(samples, involved_share)
    early = 0.0 if lag > 0 else 1.0  # of the involved foot, while the other is in the air
    for contact in contacts:
        first = round(contact * DENSE_RATE_HZ)
        last = min(first + round((abs(lag) + _SETTLE_S) * DENSE_RATE_HZ) + 1, samples)
        since = np.arange(last - first) / DENSE_RATE_HZ
        settled = smooth_step((since - abs(lag)) / _SETTLE_S)
        share[first:last] = early + (involved_share - early) * settled
    return share if left else 1.0 - share


def _two_legs(
    performance: Performance, motion: Motion, total: Array, body: dict[str, float]
) -> tuple[dict[str, Array], dict[str, tuple[float, ...]]]:
    left_is_involved = performance.person.injured_side != "right"
    lag = round(body["contact_lag_s"] * DENSE_RATE_HZ) / DENSE_RATE_HZ
    share = _left_share(len(total), motion.contact_s, body["involved_share"], lag, left_is_involved)
    late = "left" if (lag > 0) == left_is_involved else "right"
    contacts = {
        side: tuple(contact + (abs(lag) if side == late else 0.0) for contact in motion.contact_s)
        for side in SIDES
    }
    return {"single": total, "left": share * total, "right": (1.0 - share) * total}, contacts


def make_signals(
    performance: Performance,
    motion: Motion,
    style: dict[str, Array],
    index: int,
    sway: Array | None = None,
) -> Signals:
    """Return the signals of performance `index` of the style table; `sway` as acceleration."""
    body = {
        name: float(of_body(values[index : index + 1], [performance])[0])
        for name, values in style.items()
    }
    mass = performance.person.mass_kg[performance.visit]
    sway = np.zeros(len(motion.support)) if sway is None else sway
    support = motion.support + sway
    total = mass * np.where(motion.ground > 0.0, motion.ground + sway, 0.0)
    if performance.side == "both":
        force, contacts = _two_legs(performance, motion, total, body)
        sides: tuple[str, ...] = SIDES
    else:
        other = SIDES[1 - SIDES.index(performance.side)]
        force = {"single": total, performance.side: total, other: np.zeros(len(total))}
        contacts = {performance.side: motion.contact_s}
        sides = (performance.side,)
    legs = {
        side: make_leg(
            performance,
            motion,
            {name: float(values[index, SIDES.index(side)]) for name, values in style.items()},
        )
        for side in sides
    }
    return Signals(
        performance=performance,
        motion=motion,
        body_weight_n=mass * STANDARD_GRAVITY,
        force=force,
        waist=np.stack(specific_force_at_waist(motion, support, body)),
        legs=legs,
        limb_contact_s=contacts,
    )
