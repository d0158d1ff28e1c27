"""The landings that a trial of a task should have, from the flight phases of one sensor."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pipeline.events.phases import FlightPhase
from pipeline.events.tasks import (
    Landing,
    TaskEvents,
    TaskRules,
    box_jump,
    countermovement_jump,
    cut,
    drop_vertical_jump,
    single_leg_drop_landing,
)
from pipeline.reasons import Reason
from shared.errors import stop
from shared.settings.processing import Events


@dataclass(frozen=True, slots=True)
class TaskShape:
    """What a trial of a task consists of.

    Parameters
    ----------
    find : finds the landings among flight phases
    landings : number of landings
    rebounds : landings whose contact ends in a take-off; every other one follows a take-off
    from_box : landings after a fall from the box
    equal_heights : landings on the ground from which the flight began
    """

    find: Callable[[Sequence[FlightPhase], float, TaskRules], TaskEvents]
    landings: int = 1
    rebounds: tuple[int, ...] = ()
    from_box: tuple[int, ...] = ()
    equal_heights: tuple[int, ...] = ()


_SHAPES = {
    "single_leg_drop_landing": TaskShape(single_leg_drop_landing, from_box=(1,)),
    "single_leg_drop_landing_soft": TaskShape(single_leg_drop_landing, from_box=(1,)),
    "single_leg_drop_landing_stiff": TaskShape(single_leg_drop_landing, from_box=(1,)),
    "drop_vertical_jump": TaskShape(
        drop_vertical_jump, landings=2, rebounds=(1,), from_box=(1,), equal_heights=(2,)
    ),
    "countermovement_jump": TaskShape(countermovement_jump, equal_heights=(1,)),
    "box_jump": TaskShape(box_jump),
    "cut": TaskShape(cut, rebounds=(1,)),
}

LANDINGS = {task: shape.landings for task, shape in _SHAPES.items()}
"""Landings of a trial, by task."""

_NEED_A_PLATE = frozenset({"cut"})
"""A unit worn on the body sees every step of a run; only a plate tells which one was the cut."""


@dataclass(frozen=True, slots=True)
class ExpectedLanding:
    """A landing that the task demands; `landing` is None where it was not found."""

    landing: Landing | None
    flags: frozenset[str]


def require_known(tasks: Sequence[str]) -> None:
    """Refuse tasks whose landings nobody has described yet.

    Raises
    ------
    StudyError
        A task without event rules.
    """
    for task in tasks:
        if task not in _SHAPES:
            raise stop(
                "task_without_event_rules",
                "study.yaml",
                found=f"recordings of the task {task!r}",
                expected=f"one of: {', '.join(_SHAPES)}",
                mend="correct the name of the task, or add its event rules to pipeline/events",
            )


def falls_from_box(task: str, number: int) -> bool:
    """Tell whether a landing ends a fall from the box."""
    return number in _SHAPES[task].from_box


def lands_where_it_began(task: str, number: int) -> bool:
    """Tell whether the flight before a landing began on the same ground: half of it is the fall."""
    return number in _SHAPES[task].equal_heights


def seen_by_body_worn_units(task: str) -> bool:
    """Tell whether a unit worn on the body can find the landings of a task by itself."""
    return task not in _NEED_A_PLATE


def _why_missing(
    events: TaskEvents, samples: int, rate_hz: float, longest_contact_s: float
) -> frozenset[str]:
    """Return why a landing is missing: what the events say, unless the recording ended too soon.

    A recording that ends sooner after landing 1 of a drop jump than a contact may last cannot show
    the jump: it is too short, which is not the same as no jump.
    """
    if events.landings and events.landings[0].contact is not None:
        recorded_s = (samples - events.landings[0].contact.position) / rate_hz
        if recorded_s < longest_contact_s:
            return frozenset({str(Reason.SHORT_RECORDING)})
    reasons = {str(flag) for flag in events.flags if flag != Reason.SECOND_HOP}
    return frozenset(reasons or {str(Reason.NO_LANDING)})


def _own_flags(number: int, shape: TaskShape, flags: Sequence[Reason]) -> frozenset[str]:
    """Return the flags of a trial that concern a landing which was found.

    A hop after the last landing concerns that landing, not the earlier one of a drop jump; a
    missing take-off concerns a single landing that ends in one, but not landing 1 of a drop jump,
    whose trial says it by the missing landing 2.
    """
    if number != shape.landings:
        return frozenset()
    wanted = {Reason.SECOND_HOP} | ({Reason.NO_FLIGHT} if number in shape.rebounds else set())
    return frozenset(str(flag) for flag in flags if flag in wanted)


def landings_of(
    task: str,
    phases: Sequence[FlightPhase],
    samples: int,
    rate_hz: float,
    *,
    smallest_landing_peak: float,
    settings: Events,
) -> dict[int, ExpectedLanding]:
    """Return each expected landing by number.

    Parameters
    ----------
    phases
        Flight phases of a sensor.
    samples
        Length of the recording.
    smallest_landing_peak
        Smaller peaks after a contact are steps, in the unit of the sensor.
    """
    shape = _SHAPES[task]
    rules = TaskRules(
        smallest_landing_peak,
        settings.second_hop_flight_s,
        settings.second_hop_within_s,
        settings.longest_contact_s,
        settings.shortest_jump_flight_s,
        settings.longest_jump_flight_s,
    )
    events = shape.find(phases, rate_hz, rules)
    found = {landing.number: landing for landing in events.landings}
    missing = _why_missing(events, samples, rate_hz, settings.longest_contact_s)
    return {
        number: ExpectedLanding(found[number], _own_flags(number, shape, events.flags))
        if number in found
        else ExpectedLanding(None, missing)
        for number in range(1, shape.landings + 1)
    }


def takeoff_of(landing: Landing, task: str) -> float | None:
    """Return the take-off that belongs to a landing; None where it was not recorded.

    Landing 1 of a drop jump and a cut end in a take-off; every other landing follows one.
    """
    rebound = landing.number in _SHAPES[task].rebounds
    event = landing.takeoff if rebound else landing.flight.takeoff
    return event.position if event else None


def contact_of(landing: Landing | None) -> float | None:
    """Return the initial contact of a landing; None where it was not found or not seen."""
    return landing.contact.position if landing is not None and landing.contact is not None else None
