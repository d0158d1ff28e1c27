"""The words of event detection: an event, and a flight phase between two of them."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Event:
    """An instant of a recording.

    Attributes
    ----------
    sample
        First sample at or after the instant.
    position
        The instant itself in samples, with the fraction between `sample - 1` and `sample`.
    """

    sample: int
    position: float

    def seconds(self, rate_hz: float, start_s: float = 0.0) -> float:
        """Return the time of the event, given that of sample 0."""
        return start_s + self.position / rate_hz

    def at_ratio(self, ratio: float) -> Event:
        """Return the event in the samples of another rate, `ratio` times this one."""
        return Event(math.ceil(self.position * ratio), self.position * ratio)


@dataclass(frozen=True, slots=True)
class FlightPhase:
    """A time in which nothing is under load.

    Attributes
    ----------
    takeoff
        Start; None when the recording begins unloaded (an athlete still on the box).
    contact
        End; None when the recording ends unloaded, or the phase was too short for a landing.
    peak
        Largest load shortly after the contact (0 without contact), in the unit of the signal.
    endless
        The recording ends unloaded: whoever left has not come back.
    """

    takeoff: Event | None
    contact: Event | None
    peak: float
    endless: bool = False

    def at_ratio(self, ratio: float) -> FlightPhase:
        """Return the phase in the samples of another rate, `ratio` times this one."""
        takeoff, contact = (e and e.at_ratio(ratio) for e in (self.takeoff, self.contact))
        return FlightPhase(takeoff, contact, self.peak, self.endless)

    def duration_s(self, rate_hz: float) -> float | None:
        """Return the time from take-off to contact; None when one of them was not recorded."""
        if self.takeoff is None or self.contact is None:
            return None
        return (self.contact.position - self.takeoff.position) / rate_hz
