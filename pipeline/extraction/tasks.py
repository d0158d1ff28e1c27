"""The landings that a trial of a task should have, from the flight phases of one sensor."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pipeline.events.phases import FlightPhase
from pipeline.events.tasks import (
    Landing,
    TaskEvents,
    countermovement_jump,
    drop_vertical_jump,
    single_leg_drop_landing,
)
from pipeline.reasons import Reason
from shared.errors import stop

_EVENTS: dict[str, Callable[..., TaskEvents]] = {
    "single_leg_drop_landing": single_leg_drop_landing,
    "drop_vertical_jump": drop_vertical_jump,
    "countermovement_jump": countermovement_jump,
}

LANDINGS = {"single_leg_drop_landing": 1, "drop_vertical_jump": 2, "countermovement_jump": 1}
"""Landings of a trial, by task."""

LONGEST_CONTACT_S = 1.5
"""A recording that ends sooner after landing 1 of a drop jump cannot show the jump: too short,
which is not the same as no jump. The limit is that of `drop_vertical_jump`."""


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
        if task not in _EVENTS:
            raise stop(
                "task_without_event_rules",
                "study.yaml",
                found=f"recordings of the task {task!r}",
                expected=f"one of: {', '.join(_EVENTS)}",
                mend="correct the name of the task, or add its event rules to pipeline/events",
            )


def _why_missing(events: TaskEvents, samples: int, rate_hz: float) -> frozenset[str]:
    """Return why a landing is missing: what the events say, unless the recording ended too soon."""
    if events.landings:
        recorded_s = (samples - events.landings[0].contact.position) / rate_hz
        if recorded_s < LONGEST_CONTACT_S:
            return frozenset({str(Reason.SHORT_RECORDING)})
    reasons = {str(flag) for flag in events.flags if flag != Reason.SECOND_HOP}
    return frozenset(reasons or {str(Reason.NO_LANDING)})


def landings_of(
    task: str,
    phases: Sequence[FlightPhase],
    samples: int,
    rate_hz: float,
    *,
    smallest_landing_peak: float,
    second_hop_flight_s: float,
) -> dict[int, ExpectedLanding]:
    """Return each expected landing by number.

    A hop after the last landing concerns that landing, not the earlier one of a drop jump.

    Parameters
    ----------
    phases
        Flight phases of a sensor.
    samples
        Length of the recording.
    """
    events = _EVENTS[task](
        phases,
        rate_hz,
        smallest_landing_peak=smallest_landing_peak,
        second_hop_flight_s=second_hop_flight_s,
    )
    found = {landing.number: landing for landing in events.landings}
    hop = frozenset(str(flag) for flag in events.flags if flag == Reason.SECOND_HOP)
    last = LANDINGS[task]
    return {
        number: ExpectedLanding(found[number], hop if number == last else frozenset())
        if number in found
        else ExpectedLanding(None, _why_missing(events, samples, rate_hz))
        for number in range(1, last + 1)
    }


def takeoff_of(landing: Landing, task: str) -> float | None:
    """Return the take-off that belongs to a landing; None where it was not recorded.

    Landing 1 of a drop jump ends in a take-off; every other landing follows one.
    """
    event = landing.takeoff if landing.number < LANDINGS[task] else landing.flight.takeoff
    return event.position if event else None
