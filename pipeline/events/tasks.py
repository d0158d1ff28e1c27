"""Which flight phases of a recording are the landings of a task.

The same logic serves plate and waist: it sees only flight phases, and the load by which a landing
is told from a step (in the unit of the signal: N for plates, g for the waist).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.events.phases import Event, FlightPhase
from pipeline.reasons import Reason


@dataclass(frozen=True, slots=True)
class TaskRules:
    """By what landings and jumps are told from steps, falls and hops.

    Attributes
    ----------
    smallest_landing_peak
        Smaller peaks after a contact are steps (in the unit of the signal).
    second_hop_flight_s, second_hop_within_s
        A further flight that long, so soon after a landing, is a second hop; after a landing that
        is to be held, so is one from which nobody returns.
    longest_contact_s
        A take-off later than this after a contact does not end that contact's rebound.
    shortest_jump_flight_s, longest_jump_flight_s
        Shorter flights are not jumps; longer ones are not flights.
    """

    smallest_landing_peak: float
    second_hop_flight_s: float
    second_hop_within_s: float
    longest_contact_s: float
    shortest_jump_flight_s: float
    longest_jump_flight_s: float


@dataclass(frozen=True, slots=True)
class Landing:
    """A landing of a task.

    Attributes
    ----------
    number
        1 or 2 within the trial.
    flight
        The flight phase that ends in this landing; its `takeoff` is None when not recorded.
    contact
        Initial contact; None where a sensor sees only the take-off (a jump onto a box).
    takeoff
        Take-off that ends the contact (landing 1 of a drop jump, a cut), else None.
    """

    number: int
    flight: FlightPhase
    contact: Event | None
    takeoff: Event | None


@dataclass(frozen=True, slots=True)
class TaskEvents:
    """The landings that were found, and the flags of the trial (sorted)."""

    landings: tuple[Landing, ...]
    flags: tuple[Reason, ...]


def single_leg_drop_landing(
    phases: Sequence[FlightPhase], rate_hz: float, rules: TaskRules
) -> TaskEvents:
    """Find the landing from the box: the first contact after which the load is that of a landing.

    It is to be held: leaving the plate soon after, for good, counts as a hop. After jumps everybody
    may step off. Soft and stiff instructed landings are the same movement and have the same events.
    """
    index = _first_landing(phases, rules.smallest_landing_peak)
    if index is None:
        return _nothing(phases)
    landing = _landing(1, phases[index], None)
    return TaskEvents((landing,), _not_held(phases[index + 1 :], landing, rate_hz, rules))


def drop_vertical_jump(
    phases: Sequence[FlightPhase], rate_hz: float, rules: TaskRules
) -> TaskEvents:
    """Find landing 1 (from the box), the take-off of the jump, and landing 2.

    Without a jump the first landing is returned alone, flagged `no_flight`; with a jump that does
    not end on the plate, flagged `no_landing`.
    """
    index = _first_landing(phases, rules.smallest_landing_peak)
    if index is None:
        return _nothing(phases)
    first = phases[index]
    contact = _contact_of(first)
    for later in range(index + 1, len(phases)):
        jump = phases[later]
        if jump.takeoff is None:
            continue
        if jump.takeoff.position - contact.position > rules.longest_contact_s * rate_hz:
            break
        if jump.contact is None:
            return TaskEvents((_landing(1, first, jump.takeoff),), (Reason.NO_LANDING,))
        if _is_jump(jump, rate_hz, rules):
            second = _landing(2, jump, None)
            hop = _second_hop(phases[later + 1 :], second, rate_hz, rules)
            return TaskEvents((_landing(1, first, jump.takeoff), second), hop)
    return TaskEvents((_landing(1, first, None),), (Reason.NO_FLIGHT,))


def countermovement_jump(
    phases: Sequence[FlightPhase], rate_hz: float, rules: TaskRules
) -> TaskEvents:
    """Find the jump: the longest flight with take-off and contact, not too long for a jump."""
    jumps = [
        (phase.duration_s(rate_hz) or 0.0, -index)
        for index, phase in enumerate(phases)
        if _is_jump(phase, rate_hz, rules) and phase.peak >= rules.smallest_landing_peak
    ]
    if not jumps:
        return _no_jump(phases)
    index = -max(jumps)[1]
    landing = _landing(1, phases[index], None)
    return TaskEvents((landing,), _second_hop(phases[index + 1 :], landing, rate_hz, rules))


def box_jump(phases: Sequence[FlightPhase], rate_hz: float, rules: TaskRules) -> TaskEvents:
    """Find the take-off of a jump onto a box, and the landing where the sensor sees it.

    The box stands beside the plate, so the plate is empty from the take-off to the end of the
    recording, or until the athlete steps down again, long after any flight: the landing then has
    no contact. It has one where the box stands on the plate, and for a unit worn on the body.
    """
    for phase in phases:
        if phase.takeoff is None:
            continue
        if _is_jump(phase, rate_hz, rules) and phase.peak >= rules.smallest_landing_peak:
            return TaskEvents((Landing(1, phase, phase.contact, None),), ())
        if phase.endless or (phase.duration_s(rate_hz) or 0.0) > rules.longest_jump_flight_s:
            return TaskEvents((Landing(1, phase, None, None),), ())
    return TaskEvents((), (Reason.NO_FLIGHT,))


def cut(phases: Sequence[FlightPhase], rate_hz: float, rules: TaskRules) -> TaskEvents:
    """Find the one contact of a cut: the first whose load is that of a landing, and its take-off.

    The plate was empty before; whether the athlete flew or walked onto it does not matter. A
    contact that does not end within `longest_contact_s` is a stand, not a cut: it is returned
    without its take-off, flagged `no_flight`.
    """
    index = _first_landing(phases, rules.smallest_landing_peak)
    if index is None:
        return _nothing(phases)
    contact = _contact_of(phases[index])
    for phase in phases[index + 1 :]:
        if phase.takeoff is None:
            continue
        if phase.takeoff.position - contact.position > rules.longest_contact_s * rate_hz:
            break
        return TaskEvents((_landing(1, phases[index], phase.takeoff),), ())
    return TaskEvents((_landing(1, phases[index], None),), (Reason.NO_FLIGHT,))


def _is_jump(phase: FlightPhase, rate_hz: float, rules: TaskRules) -> bool:
    flight_s = phase.duration_s(rate_hz)
    return flight_s is not None and (
        rules.shortest_jump_flight_s <= flight_s <= rules.longest_jump_flight_s
    )


def _no_jump(phases: Sequence[FlightPhase]) -> TaskEvents:
    left_plate = any(phase.takeoff is not None for phase in phases)
    return TaskEvents((), (Reason.NO_LANDING if left_plate else Reason.NO_FLIGHT,))


def _contact_of(phase: FlightPhase) -> Event:
    if phase.contact is None:  # callers choose phases by their contact
        raise ValueError("the flight phase has no contact")
    return phase.contact


def _landing(number: int, phase: FlightPhase, takeoff: Event | None) -> Landing:
    return Landing(number, phase, _contact_of(phase), takeoff)


def _first_landing(phases: Sequence[FlightPhase], smallest_landing_peak: float) -> int | None:
    for index, phase in enumerate(phases):
        if phase.contact is not None and phase.peak >= smallest_landing_peak:
            return index
    return None


def _nothing(phases: Sequence[FlightPhase]) -> TaskEvents:
    """Without any unloaded phase there was no flight; with one, it ended in no landing."""
    return TaskEvents((), (Reason.NO_LANDING if phases else Reason.NO_FLIGHT,))


def _soon_after(
    later: Sequence[FlightPhase], landing: Landing, rate_hz: float, rules: TaskRules
) -> Iterator[FlightPhase]:
    """Yield the phases that begin soon after a landing."""
    contact = _contact_of(landing.flight)
    for phase in later:
        if phase.takeoff is None:
            continue
        if phase.takeoff.position - contact.position <= rules.second_hop_within_s * rate_hz:
            yield phase


def _second_hop(
    later: Sequence[FlightPhase], landing: Landing, rate_hz: float, rules: TaskRules
) -> tuple[Reason, ...]:
    """Flag a further flight soon after a landing; stepping off the plate is not a hop."""
    for phase in _soon_after(later, landing, rate_hz, rules):
        if (phase.duration_s(rate_hz) or 0.0) >= rules.second_hop_flight_s:
            return (Reason.SECOND_HOP,)
    return ()


def _not_held(
    later: Sequence[FlightPhase], landing: Landing, rate_hz: float, rules: TaskRules
) -> tuple[Reason, ...]:
    """Flag a landing that is to be held, and was left by a hop or by a step off the plate."""
    left = any(phase.endless for phase in _soon_after(later, landing, rate_hz, rules))
    return (Reason.SECOND_HOP,) if left else _second_hop(later, landing, rate_hz, rules)
