"""True values of the landing metrics, from the noise-free dense signals.

Definitions as in the metric dictionary; the true initial contact is the instant when the foot
touches, without threshold.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.contact import DENSE_RATE_HZ
from pipeline.simulate.people import VISITS
from pipeline.simulate.signals import Signals
from pipeline.simulate.style import (
    BOX_JUMP,
    COUNTERMOVEMENT,
    CUT,
    DROP_JUMP,
    DROP_LANDINGS,
    FROM_BOX,
)
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

UNITS = {
    "peak_vgrf": "BW",
    "time_to_peak_vgrf": "ms",
    "average_loading_rate": "BW/s",
    "impulse_first_50_ms": "BW·s",
    "impulse_first_100_ms": "BW·s",
    "flight_time": "s",
    "contact_time": "s",
    "jump_height_from_flight_time": "m",
    "jump_height_from_impulse": "m",
    "peak_waist_acceleration": "g",
    "knee_flexion_at_contact": "deg",
    "peak_knee_flexion": "deg",
    "knee_flexion_excursion": "deg",
    "peak_knee_flexion_rate": "deg/s",
}
_PEAK_WINDOW_S = 0.200
_KNEE_WINDOW_S = 0.400


class TrueValue(NamedTuple):
    """One true value; the keys are those of the metrics table."""

    athlete_id: str
    visit: str
    task: str
    side: str
    limb: str
    trial: int
    landing: int
    metric: str
    sensor: str
    value: float
    unit: str


class _Measured(NamedTuple):
    side: str
    landing: int
    metric: str
    sensor: str
    value: float


def _index(seconds: float) -> int:
    return round(seconds * DENSE_RATE_HZ)


def _force_metrics(
    signals: Signals, place: str, side: str, landing: int, contact_s: float, lowest_s: float
) -> Iterator[_Measured]:
    first = _index(contact_s)
    last = int(min(contact_s + _PEAK_WINDOW_S, lowest_s) * DENSE_RATE_HZ)
    force = signals.force[place] / signals.body_weight_n
    peak = first + int(np.argmax(force[first : last + 1]))
    to_peak = (peak - first) / DENSE_RATE_HZ
    values = {
        "peak_vgrf": force[peak],
        "time_to_peak_vgrf": 1000.0 * to_peak,
        "average_loading_rate": (force[peak] - force[first]) / to_peak,
    }
    for milliseconds in (50, 100):
        window = force[first : first + _index(milliseconds / 1000.0) + 1]
        values[f"impulse_first_{milliseconds}_ms"] = np.trapezoid(window) / DENSE_RATE_HZ
    for metric, value in values.items():
        yield _Measured(side, landing, metric, "plate", float(value))


def _forces(signals: Signals) -> Iterator[_Measured]:
    motion, tested = signals.motion, signals.performance.side
    assert motion is not None
    if signals.performance.task == BOX_JUMP:  # the box, not the plates, takes the landing
        return
    landings = 2 if signals.performance.task == DROP_JUMP else 1
    for landing in range(landings):
        lowest = motion.lowest_s[landing]
        for side, contacts in signals.limb_contact_s.items():
            yield from _force_metrics(signals, side, side, landing + 1, contacts[landing], lowest)
        if tested == "both":
            contact = motion.contact_s[landing]
            yield from _force_metrics(signals, "single", "both", landing + 1, contact, lowest)


def _waist(signals: Signals) -> Iterator[_Measured]:
    motion = signals.motion
    assert motion is not None
    if signals.performance.task == CUT:  # seen by a plate only, which no step of a run resembles
        return
    norm = np.sqrt(np.square(signals.waist).sum(axis=0)) / STANDARD_GRAVITY
    landings = 2 if signals.performance.task == DROP_JUMP else 1
    for landing, contact in enumerate(motion.contact_s[:landings]):
        first = _index(contact)
        peak = norm[first : first + _index(_PEAK_WINDOW_S) + 1].max()
        side = signals.performance.side
        for sensor in ("waist", "reference_accelerometer"):
            yield _Measured(side, landing + 1, "peak_waist_acceleration", sensor, float(peak))


def _knees(signals: Signals) -> Iterator[_Measured]:
    motion = signals.motion
    assert motion is not None
    if signals.performance.task not in FROM_BOX:
        return
    for side, leg in signals.legs.items():
        contact = signals.limb_contact_s[side][0]
        window = _KNEE_WINDOW_S
        if signals.performance.task == DROP_JUMP:
            window = min(window, motion.takeoff_s[0] - contact)
        t = contact + np.arange(_index(window) + 1) / DENSE_RATE_HZ
        angle = leg.knee.angle(t)
        peak = int(np.argmax(angle))
        values = {
            "knee_flexion_at_contact": angle[0],
            "peak_knee_flexion": angle[peak],
            "knee_flexion_excursion": angle[peak] - angle[0],
        }
        for metric, value in values.items():
            for sensor in ("gyro", "camera"):
                yield _Measured(side, 1, metric, sensor, float(value))
        rate = float(leg.knee.rate(t[: peak + 1]).max())
        yield _Measured(side, 1, "peak_knee_flexion_rate", "gyro", rate)


def _impulse_height(signals: Signals) -> _Measured:
    assert signals.motion is not None
    height = signals.motion.takeoff_speeds[0] ** 2 / (2.0 * STANDARD_GRAVITY)
    return _Measured("both", 1, "jump_height_from_impulse", "plate", height)


def _jumps(signals: Signals) -> Iterator[_Measured]:
    motion, task = signals.motion, signals.performance.task
    assert motion is not None
    if task in DROP_LANDINGS:
        return
    if task == CUT:
        contact = motion.takeoff_s[1] - motion.contact_s[0]
        yield _Measured(signals.performance.side, 1, "contact_time", "plate", contact)
        return
    if task == BOX_JUMP:
        yield _impulse_height(signals)
        return
    takeoff = motion.takeoff_s[0]
    flight = motion.contact_s[-1] - takeoff
    landing = 2 if task == DROP_JUMP else 1
    for sensor in ("plate", "waist"):
        yield _Measured("both", landing, "flight_time", sensor, flight)
        height = STANDARD_GRAVITY * flight**2 / 8.0
        yield _Measured("both", landing, "jump_height_from_flight_time", sensor, height)
        if task == DROP_JUMP:
            contact = takeoff - motion.contact_s[0]
            yield _Measured("both", 1, "contact_time", sensor, contact)
    if task == COUNTERMOVEMENT:
        yield _impulse_height(signals)


def true_values(signals: Signals) -> list[TrueValue]:
    """Return the true metrics of one performance."""
    item = signals.performance
    rows = []
    for parts in (_forces, _waist, _knees, _jumps):
        for side, landing, metric, sensor, value in parts(signals):
            limb = "both"
            if side != "both":
                limb = "involved" if item.person.involved(side) else "uninvolved"
            rows.append(
                TrueValue(
                    athlete_id=item.person.athlete_id,
                    visit=VISITS[item.visit],
                    task=item.task,
                    side=side,
                    limb=limb,
                    trial=item.trial,
                    landing=landing,
                    metric=metric,
                    sensor=sensor,
                    value=value,
                    unit=UNITS[metric],
                )
            )
    return rows
