"""True values of the whole body's metrics on closed-form trials; see `closed_truth`.

Speeds, ways and work are sums over samples 10 microseconds apart. The movement onset is where the
movement begins.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.known_answers.closed_truth import STEP_S, Scene, crossing, height_from_impulse
from tests.known_answers.signals import MASS, G

Array = NDArray[np.float64]

STABILISATION_S = 2.5


def _impulse(scene: Scene, first_s: float, last_s: float) -> float:
    """Net impulse over mass between two instants of the trial's clock, m/s."""
    time = np.linspace(first_s, last_s, max(round((last_s - first_s) / STEP_S), 10) + 1)
    return float(G * np.trapezoid(scene.movement.force(time) - 1.0, time))


def speed_at_contact(scene: Scene) -> float:
    """Downward speed where the definition sees the contact."""
    return scene.contact.speed - _impulse(scene, scene.contact.time_s, scene.contact_s)


def _way(scene: Scene) -> tuple[Array, Array, Array]:
    """Force (BW), downward speed and depth from contact to the lowest point."""
    force = scene.body[scene.until(scene.lowest_s)]
    steps = 0.5 * (force[1:] + force[:-1]) - 1.0
    speed = speed_at_contact(scene) - G * STEP_S * np.concatenate(([0.0], np.cumsum(steps)))
    depth = STEP_S * np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))))
    return force, speed, depth


def _depth(scene: Scene) -> float:
    return float(_way(scene)[2][-1])


def _work(scene: Scene) -> float:
    force, speed, _ = _way(scene)
    return float(G * np.trapezoid(force * speed) * STEP_S)


def _stiffness(scene: Scene) -> float:
    force, _, depth = _way(scene)
    return float(MASS * G * force[-1] / depth[-1] / 1000.0)


def _likeness(scene: Scene) -> float:
    force, _, depth = _way(scene)
    return float(np.corrcoef(force, depth)[0, 1])


def _steepest(scene: Scene) -> float:
    rising = scene.force[: scene.peak_sample + 1]
    return float(np.diff(rising).max() / STEP_S)


def _secant(scene: Scene) -> float:
    rising = scene.force[: scene.peak_sample + 1]
    low, high = (int(np.argmax(rising >= share * scene.peak)) for share in (0.2, 0.8))
    return float(0.6 * scene.peak / ((high - low) * STEP_S))


def _following(scene: Scene) -> Scene:
    return Scene(scene.movement, scene.movement.contacts[1], scene.side)


def _by_the_jump(scene: Scene) -> float:
    impulse = _impulse(scene, scene.contact_s, scene.takeoff_s)
    return impulse - 0.5 * G * _following(scene).between_s


def _reactive_strength(scene: Scene) -> float:
    return G * _following(scene).between_s ** 2 / 8.0 / scene.between_s


def _height_back(scene: Scene) -> float:
    return (G * scene.between_s - speed_at_contact(scene)) ** 2 / (2.0 * G)


def _work_mismatch(scene: Scene) -> float:
    """What equal heights say of the energy, minus what the true speed says."""
    return 0.5 * ((0.5 * G * scene.between_s) ** 2 - speed_at_contact(scene) ** 2)


def speed_to_fall_with(scene: Scene) -> float:
    """By its definition: of the jump that follows, of the flight before, or that at contact.

    After a drop the final stance gives it, which is the true one.
    """
    if np.isnan(scene.takeoff_s):
        return speed_at_contact(scene)
    if scene.takeoff_s < scene.contact_s:
        return 0.5 * G * scene.between_s
    return _by_the_jump(scene)


def _time_to_takeoff(scene: Scene) -> float:
    return scene.takeoff_s - scene.movement.jump.start


def _lag(scene: Scene) -> float:
    other = "left" if scene.side == "right" else "right"
    touch = scene.contact.time_s
    later = crossing(scene.movement, other, touch - 1e-3, touch + 0.020)
    return 1000.0 * (scene.contact_s - later)


def _stabilised(scene: Scene) -> float:
    time = np.arange(round(STABILISATION_S / STEP_S) + 1) * STEP_S
    away = np.abs(scene.movement.force(scene.contact_s + time) - 1.0) > 0.05
    return float((np.flatnonzero(away)[-1] + 1) * STEP_S)


PLATE_TRUTHS: dict[str, Callable[[Scene], float]] = {
    "peak_loading_rate": _steepest,
    "loading_rate_20_to_80_percent": _secant,
    "impulse_to_lowest_point": lambda s: s.integral(s.force, s.lowest_s),
    "landing_impulse_share": lambda s: 100.0 * s.movement.share(s.side),
    "contact_lag_between_limbs": _lag,
    "time_to_takeoff": _time_to_takeoff,
    "modified_reactive_strength_index": lambda s: height_from_impulse(s) / _time_to_takeoff(s),
    "jump_height_from_final_stance": _height_back,
    "reactive_strength_index": _reactive_strength,
    "impact_speed_from_final_stance": speed_at_contact,
    "impact_speed_from_flight_time": lambda s: 0.5 * G * s.between_s,
    "impact_speed_from_following_jump": _by_the_jump,
    "impact_speed_mismatch": lambda s: speed_at_contact(s) - 0.5 * G * s.between_s,
    "negative_work_mismatch": _work_mismatch,
    "fall_time_share": lambda s: 100.0 * speed_to_fall_with(s) / s.contact.speed,
    "time_to_lowest_point": lambda s: 1000.0 * s.lowest_s,
    "net_braking_impulse": speed_at_contact,
    "centre_of_mass_displacement": _depth,
    "force_displacement_correlation": _likeness,
    "vertical_stiffness": _stiffness,
    "negative_work": _work,
    "time_to_stabilisation": _stabilised,
}
"""Metric -> its true value in the unit of the metric dictionary."""
