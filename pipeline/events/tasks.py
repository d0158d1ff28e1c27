"""Which flight phases of a recording are the landings of a task.

The same logic serves plate and waist: it sees only flight phases, and the load by which a landing
is told from a step (in the unit of the signal: N for plates, g for the waist).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.events.phases import Event, FlightPhase
from pipeline.reasons import Reason


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
        Initial contact.
    takeoff
        Take-off that ends the contact (landing 1 of a drop jump), else None.
    """

    number: int
    flight: FlightPhase
    contact: Event
    takeoff: Event | None


@dataclass(frozen=True, slots=True)
class TaskEvents:
    """The landings that were found, and the flags of the trial (sorted)."""

    landings: tuple[Landing, ...]
    flags: tuple[Reason, ...]


def single_leg_drop_landing(
    phases: Sequence[FlightPhase],
    rate_hz: float,
    *,
    smallest_landing_peak: float,
    second_hop_flight_s: float,
    second_hop_within_s: float = 2.0,
) -> TaskEvents:
    """Find the landing from the box: the first contact after which the load is that of a landing.

    Parameters
    ----------
    smallest_landing_peak
        Smaller peaks after a contact are steps (1.2 body weights or 1.5 g: common practice, no
        source).
    second_hop_flight_s, second_hop_within_s
        A further flight that long, followed by a contact, is a second hop.
    """
    index = _first_landing(phases, smallest_landing_peak)
    if index is None:
        return _nothing(phases)
    landing = _landing(1, phases[index], None)
    hop = _second_hop(
        phases[index + 1 :], landing.contact, rate_hz, second_hop_flight_s, second_hop_within_s
    )
    return TaskEvents((landing,), hop)


def drop_vertical_jump(
    phases: Sequence[FlightPhase],
    rate_hz: float,
    *,
    smallest_landing_peak: float,
    second_hop_flight_s: float,
    second_hop_within_s: float = 2.0,
    longest_contact_s: float = 1.5,
    shortest_jump_flight_s: float = 0.100,
    longest_jump_flight_s: float = 1.0,
) -> TaskEvents:
    """Find landing 1 (from the box), the take-off of the jump, and landing 2.

    Without a jump the first landing is returned alone, flagged `no_flight`; with a jump that does
    not end on the plate, flagged `no_landing`.

    Parameters
    ----------
    longest_contact_s
        A take-off later than this after landing 1 is not the jump.
    shortest_jump_flight_s, longest_jump_flight_s
        Shorter flights are not jumps; longer ones are not flights.
    """
    index = _first_landing(phases, smallest_landing_peak)
    if index is None:
        return _nothing(phases)
    first = phases[index]
    contact = _contact_of(first)
    for later in range(index + 1, len(phases)):
        jump = phases[later]
        if jump.takeoff is None:
            continue
        if jump.takeoff.position - contact.position > longest_contact_s * rate_hz:
            break
        if jump.contact is None:
            return TaskEvents((_landing(1, first, jump.takeoff),), (Reason.NO_LANDING,))
        flight_s = jump.duration_s(rate_hz) or 0.0
        if shortest_jump_flight_s <= flight_s <= longest_jump_flight_s:
            second = _landing(2, jump, None)
            hop = _second_hop(
                phases[later + 1 :],
                second.contact,
                rate_hz,
                second_hop_flight_s,
                second_hop_within_s,
            )
            return TaskEvents((_landing(1, first, jump.takeoff), second), hop)
    return TaskEvents((_landing(1, first, None),), (Reason.NO_FLIGHT,))


def countermovement_jump(
    phases: Sequence[FlightPhase],
    rate_hz: float,
    *,
    smallest_landing_peak: float,
    second_hop_flight_s: float,
    second_hop_within_s: float = 2.0,
    shortest_jump_flight_s: float = 0.100,
    longest_jump_flight_s: float = 1.0,
) -> TaskEvents:
    """Find the jump: the longest flight with take-off and contact; see `drop_vertical_jump`."""
    jumps = [
        (phase.duration_s(rate_hz) or 0.0, -index)
        for index, phase in enumerate(phases)
        if shortest_jump_flight_s <= (phase.duration_s(rate_hz) or 0.0) <= longest_jump_flight_s
        and phase.peak >= smallest_landing_peak
    ]
    if not jumps:
        left_plate = any(phase.takeoff is not None for phase in phases)
        return TaskEvents((), (Reason.NO_LANDING if left_plate else Reason.NO_FLIGHT,))
    index = -max(jumps)[1]
    landing = _landing(1, phases[index], None)
    hop = _second_hop(
        phases[index + 1 :], landing.contact, rate_hz, second_hop_flight_s, second_hop_within_s
    )
    return TaskEvents((landing,), hop)


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


def _second_hop(
    later: Sequence[FlightPhase],
    contact: Event,
    rate_hz: float,
    second_hop_flight_s: float,
    second_hop_within_s: float,
) -> tuple[Reason, ...]:
    """Flag a further flight soon after a landing; stepping off the plate is not a hop."""
    for phase in later:
        flight_s = phase.duration_s(rate_hz)
        if phase.takeoff is None or flight_s is None:
            continue
        soon = phase.takeoff.position - contact.position <= second_hop_within_s * rate_hz
        if soon and flight_s >= second_hop_flight_s:
            return (Reason.SECOND_HOP,)
    return ()
