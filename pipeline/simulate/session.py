"""The calibrations of a session, noise-free: quiet standing, and slow knee flexions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.knee import Knot, Leg, Track
from pipeline.simulate.people import SIDES
from pipeline.simulate.settings import Standing
from pipeline.simulate.signals import Signals, smooth_step
from pipeline.simulate.style import Performance
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

_STEP_S = 0.3  # a foot takes up its load over this time, the second one after the first
_LIFT_DEG = 35.0
_LIFT_S = 0.6  # the knee is lifted this long before its foot carries
_BOUNCE_M_S = 0.15
_BEFORE_FLEXIONS_S = 1.0


def _stepping_knee(stand: float, touch_s: float) -> Track:
    return Track(
        [
            Knot(touch_s - _LIFT_S, stand),
            Knot(touch_s - 0.3 * _LIFT_S, stand + _LIFT_DEG),
            Knot(touch_s + _STEP_S, stand),
        ]
    )


def _flexing_knee(stand: float, how: Standing) -> Track:
    half = 0.5 * how.flexion_period_s
    knots = [Knot(_BEFORE_FLEXIONS_S, stand)]
    for number in range(how.flexions):
        start = _BEFORE_FLEXIONS_S + number * how.flexion_period_s
        knots.append(Knot(start + half, stand + how.flexion_deg))
        knots.append(Knot(start + 2.0 * half, stand))
    return Track(knots)


def flexions_s(how: Standing) -> float:
    """Return the length of a recording of knee flexions, with quiet standing around them."""
    return 2.0 * _BEFORE_FLEXIONS_S + how.flexions * how.flexion_period_s


def _signals(
    performance: Performance, total: Array, left: Array, upright: Array, knees: dict[str, Leg]
) -> Signals:
    mass = performance.person.mass_kg[performance.visit]
    waist = np.stack([np.zeros(len(upright)), upright, np.zeros(len(upright))])
    force = {"single": total, "left": left, "right": total - left}
    return Signals(performance, None, mass * STANDARD_GRAVITY, force, waist, knees, {})


def _legs(style: dict[str, Array], index: int, knees: dict[str, Track]) -> dict[str, Leg]:
    still = Track([Knot(0.0, 0.0), Knot(1.0, 0.0)])
    return {
        side: Leg(knees[side], still, float(style["thigh_share"][index, position]))
        for position, side in enumerate(SIDES)
    }


def standing(
    performance: Performance, style: dict[str, Array], index: int, sway: Array, how: Standing
) -> Signals:
    """Return the signals of stepping onto empty plates, left foot first, and standing quietly."""
    mass = performance.person.mass_kg[performance.visit]
    t = np.arange(len(sway)) / DENSE_RATE_HZ
    first = smooth_step((t - how.step_on_s) / _STEP_S)
    second = smooth_step((t - how.step_on_s - _STEP_S) / _STEP_S)
    edge = smooth_step((t - how.step_on_s + _STEP_S) / _STEP_S)
    bounce = _BOUNCE_M_S * np.sin(2.0 * np.pi * 1.7 * t) * edge * (1.0 - second)
    upright = STANDARD_GRAVITY + sway + np.gradient(bounce, 1.0 / DENSE_RATE_HZ)
    share = float(style["involved_share"][index].mean())
    left = share if performance.person.injured_side != "right" else 1.0 - share
    stand = style["standing_knee_angle_deg"][index]
    knees = {
        side: _stepping_knee(float(stand[position]), how.step_on_s + position * _STEP_S)
        for position, side in enumerate(SIDES)
    }
    # The first foot carries all that the plates carry until the second one takes its part.
    left_force = mass * upright * first * (1.0 - (1.0 - left) * second)
    right_force = mass * upright * (1.0 - left) * second
    return _signals(
        performance, left_force + right_force, left_force, upright, _legs(style, index, knees)
    )


def flexing(
    performance: Performance, style: dict[str, Array], index: int, how: Standing
) -> Signals:
    """Return the signals of slow flexions of both knees and back to standing."""
    mass = performance.person.mass_kg[performance.visit]
    upright = np.full(round(flexions_s(how) * DENSE_RATE_HZ) + 1, STANDARD_GRAVITY)
    stand = style["standing_knee_angle_deg"][index]
    knees = {
        side: _flexing_knee(float(stand[position]), how) for position, side in enumerate(SIDES)
    }
    total = mass * upright
    return _signals(performance, total, 0.5 * total, upright, _legs(style, index, knees))
