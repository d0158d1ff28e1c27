"""From parameters to the vertical motion of the centre of mass, trial by trial.

A trial is a chain of pieces, each consistent with Newton's law: standing, stepping off the box or a
countermovement, the landing of `contact.py`, a push-off, flight, another landing, and the rise to
standing. The pieces between landings are quintic polynomials of height that join in height,
velocity and force, so the net impulse between any two instants equals the change of momentum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.canvas import Canvas, on_grid
from pipeline.simulate.contact import DENSE_RATE_HZ, Contact, Landing, land
from pipeline.simulate.settings import SimulationSettings
from pipeline.simulate.style import BOX_JUMP, CUT, DROP_JUMP, FROM_BOX, Performance, of_body
from shared.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

_HOP_SPEED = 0.7  # m/s: a flight of about 0.14 s, clearly a second hop (50 ms and more)
_LEAP_SPEED = 1.4  # m/s: the leap into a cut
_TUCK_M = 0.15  # knees are drawn up to land on a box: its contact is this much lower
_SPARE_SPEED = 0.6  # m/s: nobody lands on a box with less downward speed


@dataclass(frozen=True)
class Motion:
    """The vertical motion of one performance on the dense grid.

    support : specific force of everything that carries the body, box included (m/s²)
    ground : the part that the floor carries, and force plates see (m/s²)
    contact_s, takeoff_s, lowest_s : initial contacts, take-offs and lowest points, in order
    takeoff_speeds : upward speed at each take-off (m/s)
    moving_s : first and last instant of movement; before and after is quiet standing
    bottom_s : lowest point of the countermovement, None in falls from a box
    """

    support: Array
    ground: Array
    contact_s: tuple[float, ...]
    takeoff_s: tuple[float, ...]
    lowest_s: tuple[float, ...]
    takeoff_speeds: tuple[float, ...]
    moving_s: tuple[float, float]
    bottom_s: float | None = None


@dataclass(frozen=True)
class _Jump:
    """A push-off from depth `depth` below the height of take-off, and the flight after it."""

    push_s: float
    speed: float
    flight_s: float
    landing_speed: float
    landing_height: float


def _contacts(
    settings: SimulationSettings, style: dict[str, Array], performances: Sequence[Performance]
) -> dict[str, Array]:
    body = {name: of_body(values, performances) for name, values in style.items()}
    typical = settings.style["knee_excursion_deg"].typical
    # A knee that bends less makes a stiffer leg.
    body["leg_stiffness_per_s2"] = body["leg_stiffness_per_s2"] * (
        typical / body["knee_excursion_deg"]
    ) ** (settings.stiffness_per_excursion)
    return body


def _contact(body: dict[str, Array], rows: Array, speed: Array) -> Contact:
    return Contact(
        speed=speed,
        stiffness=body["leg_stiffness_per_s2"][rows],
        damping=body["damping_per_m"][rows],
        toe_share=body["toe_share"][rows],
        toe_depth=body["toe_depth_m"][rows],
        heel_start=body["heel_start_m"][rows],
        heel_depth=body["heel_depth_m"][rows],
    )


def _jump(
    row: dict[str, float], depth: float, start: float, *, speed: float, onto: float = 0.0
) -> _Jump:
    """Push off from `depth` (m below standing) at `start`; the flight ends on the dense grid.

    `onto` is the height of the ground that is landed on (m above the one left).
    """
    rise = row["takeoff_rise_m"]
    way = depth + rise
    push_s = way / (row["propulsion_speed_share"] * speed)
    drop = rise - onto - (row["contact_rise_m"] - (_TUCK_M if onto else 0.0))
    flight = (speed + (speed**2 + 2.0 * STANDARD_GRAVITY * drop) ** 0.5) / STANDARD_GRAVITY
    takeoff = start + push_s
    flight = on_grid(takeoff + flight) - takeoff
    landing_speed = STANDARD_GRAVITY * flight - speed
    height = rise + speed * flight - 0.5 * STANDARD_GRAVITY * flight**2
    return _Jump(push_s, speed, flight, landing_speed, height)


def _own_speed(row: dict[str, float], depth: float) -> float:
    """Return the take-off speed of an athlete's full push-off from `depth`."""
    way = depth + row["takeoff_rise_m"]
    return float((2.0 * row["push_force_g"] * STANDARD_GRAVITY * way) ** 0.5)


@dataclass
class _Plan:
    """A trial while it is being built."""

    canvas: Canvas
    row: dict[str, float]
    contact_s: list[float]
    takeoff_s: list[float]
    lowest_s: list[float]
    takeoff_speeds: list[float]
    begin_s: float
    speed: float = 0.0
    height: float = 0.0
    floor: float = 0.0
    bottom_s: float | None = None


def _step_off(settings: SimulationSettings, plan: _Plan, contact_s: float) -> None:
    row = plan.row
    fall = row["drop_efficiency"] * settings.protocol.box_height_m
    plan.speed = (2.0 * STANDARD_GRAVITY * fall) ** 0.5
    unloading = min(row["unloading_time_s"], plan.speed / STANDARD_GRAVITY)
    free = plan.speed / STANDARD_GRAVITY - 0.5 * unloading
    plan.begin_s = contact_s - free - unloading
    plan.canvas.unload(plan.begin_s, contact_s - free)
    plan.canvas.fly(contact_s - free, contact_s)
    plan.height = row["contact_rise_m"]
    plan.contact_s.append(contact_s)


def _add_jump(plan: _Plan, start: float, height: float, acceleration: float, jump: _Jump) -> None:
    rise = plan.row["takeoff_rise_m"]
    takeoff = start + jump.push_s
    plan.canvas.move(
        start,
        takeoff,
        (height, 0.0, acceleration),
        (rise, jump.speed, -STANDARD_GRAVITY),
    )
    plan.canvas.fly(takeoff, takeoff + jump.flight_s)
    plan.takeoff_s.append(takeoff)
    plan.takeoff_speeds.append(jump.speed)
    plan.contact_s.append(on_grid(takeoff + jump.flight_s))
    plan.speed, plan.height = jump.landing_speed, jump.landing_height


def _countermovement(
    settings: SimulationSettings, performance: Performance, plan: _Plan, start: float
) -> None:
    """Dip and push off: a jump, a jump onto the box, or the leap into a cut."""
    row = plan.row
    depth, down = row["countermovement_depth_m"], row["countermovement_time_s"]
    push = row["bottom_force_g"] * STANDARD_GRAVITY
    speed = _own_speed(row, depth)
    if performance.task == BOX_JUMP:
        plan.floor = settings.protocol.box_height_m
        climb = plan.floor + row["contact_rise_m"] - _TUCK_M - row["takeoff_rise_m"]
        speed = max(speed, (2.0 * STANDARD_GRAVITY * climb + _SPARE_SPEED**2) ** 0.5)
    elif performance.task == CUT:
        speed = _LEAP_SPEED
        push = min(push, 0.8 * STANDARD_GRAVITY)
    plan.begin_s, plan.bottom_s = start, start + down
    plan.canvas.move(start, start + down, (0.0, 0.0, 0.0), (-depth, 0.0, push))
    jump = _jump(row, depth, start + down, speed=speed, onto=plan.floor)
    _add_jump(plan, start + down, -depth, push, jump)


def _add_landing(plan: _Plan, landing: Landing, index: int) -> tuple[float, float, float]:
    """Paint a landing; return the instant, height and acceleration of its lowest point."""
    lowest_s = float(landing.lowest_s[index])
    contact = plan.contact_s[-1]
    plan.canvas.land(contact, landing.force[index], lowest_s)
    plan.lowest_s.append(contact + lowest_s)
    height = plan.height - float(landing.lowest_m[index])
    return contact + lowest_s, height, float(landing.lowest_force[index]) - STANDARD_GRAVITY


def _on_plates(performance: Performance, plan: _Plan) -> Array:
    """Return the part of the support that the floor with the plates carries.

    The box carries before the first contact of a fall, and after a jump onto it; the ground beside
    the plates carries before and after the one contact of a cut.
    """
    ground = plan.canvas.force.copy()
    first = round(plan.contact_s[0] * DENSE_RATE_HZ)
    if performance.task in (*FROM_BOX, CUT):
        ground[:first] = 0.0
    if performance.task == BOX_JUMP:
        ground[first:] = 0.0
    if performance.task == CUT:
        ground[round(plan.contact_s[1] * DENSE_RATE_HZ) :] = 0.0
    return ground


def _finish(plan: _Plan, performance: Performance, bottom: tuple[float, float, float]) -> Motion:
    start, height, acceleration = bottom
    end = start + plan.row["recovery_time_s"]
    plan.canvas.move(start, end, (height, 0.0, acceleration), (plan.floor, 0.0, 0.0))
    return Motion(
        support=plan.canvas.force,
        ground=_on_plates(performance, plan),
        contact_s=tuple(plan.contact_s),
        takeoff_s=tuple(plan.takeoff_s),
        lowest_s=tuple(plan.lowest_s),
        takeoff_speeds=tuple(plan.takeoff_speeds),
        moving_s=(plan.begin_s, end),
        bottom_s=plan.bottom_s,
    )


def move(
    settings: SimulationSettings,
    style: dict[str, Array],
    performances: Sequence[Performance],
    starts_s: Sequence[float],
    durations_s: Sequence[float],
) -> list[Motion]:
    """Return the motion of every performance; all landings are integrated together.

    `starts_s` is the instant of the first contact (falls from a box) or of the movement's start
    (all others), `durations_s` the length of the recording.
    """
    body = _contacts(settings, style, performances)
    plans: list[_Plan] = []
    for index, (item, start, duration) in enumerate(
        zip(performances, starts_s, durations_s, strict=True)
    ):
        own = {name: float(values[index]) for name, values in body.items()}
        own["propulsion_speed_share"] = settings.propulsion_speed_share
        plan = _Plan(Canvas(duration), own, [], [], [], [], begin_s=start)
        if item.task in FROM_BOX:
            _step_off(settings, plan, on_grid(start))
        else:
            _countermovement(settings, item, plan, start)
        plans.append(plan)

    bottoms: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)] * len(plans)

    def land_all(rows: list[int]) -> None:
        if not rows:
            return
        speeds = np.array([plans[row].speed for row in rows])
        landing = land(_contact(body, np.array(rows), speeds))
        for position, row in enumerate(rows):
            bottoms[row] = _add_landing(plans[row], landing, position)

    land_all(list(range(len(plans))))
    again = [
        row for row, item in enumerate(performances) if item.task in (DROP_JUMP, CUT) or item.hop
    ]
    for row in again:
        start, height, acceleration = bottoms[row]
        full = performances[row].task == DROP_JUMP
        speed = _own_speed(plans[row].row, -height) if full else _HOP_SPEED
        jump = _jump(plans[row].row, -height, start, speed=speed)
        _add_jump(plans[row], start, height, acceleration, jump)
    land_all(again)
    return [
        _finish(plan, item, bottom)
        for plan, item, bottom in zip(plans, performances, bottoms, strict=True)
    ]
