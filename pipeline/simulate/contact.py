"""Landing as a damped spring-mass system with a toe and a heel stage.

Per kilogram of body mass, with x the drop of the centre of mass since initial contact and
v = dx/dt (both positive downward)::

    dv/dt = g - f(x, v)
    f     = k x + c v² [ s P(x / x_toe) + (1 - s) P((x - x_heel) / d_heel) ]
    P(u)  = (u exp(1 - u))^3 for u > 0, else 0        (one smooth bump of height 1 at u = 1)

The leg spring k carries the body, the two bumps are the dissipating forefoot and heel contacts
that give the two force peaks of a landing (James et al. 2007, J Sports Sci Med 6:126, name them
F1 and F2). The form of the bumps is our own choice: smooth, zero at contact, over when passed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

DENSE_RATE_HZ = 5000
"""Rate of the noise-free signals; every instrument's rate divides it, except the camera's."""

_STEP_S = 1.0 / DENSE_RATE_HZ
_LONGEST_S = 1.0


@dataclass(frozen=True)
class Contact:
    """Parameters of landings, one entry per landing; all arrays of shape (n,)."""

    speed: Array  # m/s, downward at initial contact
    stiffness: Array  # 1/s²
    damping: Array  # 1/m
    toe_share: Array
    toe_depth: Array  # m
    heel_start: Array  # m
    heel_depth: Array  # m


@dataclass(frozen=True)
class Landing:
    """A landing down to the lowest centre of mass.

    force : (n, steps) specific force in m/s² on the dense grid from contact; valid to lowest_s
    lowest_s, lowest_m : (n,) instant and depth of the lowest centre of mass
    lowest_force : (n,) specific force there, m/s²
    """

    force: Array
    lowest_s: Array
    lowest_m: Array
    lowest_force: Array


def _bump(u: Array) -> Array:
    u = np.maximum(u, 0.0)
    return (u * np.exp(1.0 - u)) ** 3


def specific_force(x: Array, v: Array, contact: Contact) -> Array:
    """Return the ground's force per kilogram (m/s²) at depth x (m) and downward speed v (m/s)."""
    toe = contact.toe_share * _bump(x / contact.toe_depth)
    heel = (1.0 - contact.toe_share) * _bump((x - contact.heel_start) / contact.heel_depth)
    return contact.stiffness * x + contact.damping * v * np.abs(v) * (toe + heel)


def _runge_kutta(x: Array, v: Array, contact: Contact) -> tuple[Array, Array]:
    h, g = _STEP_S, STANDARD_GRAVITY
    a1 = g - specific_force(x, v, contact)
    v2 = v + 0.5 * h * a1
    a2 = g - specific_force(x + 0.5 * h * v, v2, contact)
    v3 = v + 0.5 * h * a2
    a3 = g - specific_force(x + 0.5 * h * v2, v3, contact)
    v4 = v + h * a3
    a4 = g - specific_force(x + h * v3, v4, contact)
    return x + h / 6.0 * (v + 2.0 * (v2 + v3) + v4), v + h / 6.0 * (a1 + 2.0 * (a2 + a3) + a4)


def land(contact: Contact) -> Landing:
    """Integrate landings (4th-order Runge-Kutta) until each has reached its lowest point.

    Raises
    ------
    ValueError
        A landing does not come to rest within one second: the parameters are not of this world.
    """
    count = len(contact.speed)
    x, v = np.zeros(count), contact.speed.astype(np.float64).copy()
    forces = []
    lowest_s, lowest_m, lowest_force = (np.full(count, np.nan) for _ in range(3))
    falling = np.ones(count, dtype=bool)
    step = 0
    while falling.any():
        if step * _STEP_S > _LONGEST_S:
            raise ValueError("a landing did not come to rest within 1 s; check damping, stiffness")
        force = specific_force(x, v, contact)
        forces.append(force)
        x_next, v_next = _runge_kutta(x, v, contact)
        turned = falling & (v_next <= 0.0)
        if turned.any():
            rising = force[turned] - STANDARD_GRAVITY  # deceleration while v goes through zero
            wait = v[turned] / rising
            lowest_s[turned] = step * _STEP_S + wait
            lowest_m[turned] = x[turned] + 0.5 * v[turned] * wait
            lowest_force[turned] = contact.stiffness[turned] * lowest_m[turned]
            falling[turned] = False
        x, v = x_next, np.where(falling, v_next, 0.0)
        step += 1
    return Landing(np.stack(forces, axis=1), lowest_s, lowest_m, lowest_force)
