"""Landings and values on their way from the signals to the tables."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from pipeline.calibration.saturation import Clipping
from pipeline.extraction.signals import Signals
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.quality.windows import clip_flags, gap_flags, range_flags
from shared.metric_dictionary import Metric
from shared.settings.processing import Quality

_NONE: frozenset[str] = frozenset()


class Source(NamedTuple):
    """A stretch of a recording that a value used, in raw samples."""

    recording_id: str
    first_sample: int | None
    last_sample: int | None


def covering(sources: Iterable[Source]) -> Source:
    """Return the stretch that holds several stretches of one recording."""
    names, firsts, lasts = zip(*sources, strict=True)
    return Source(
        names[0],
        min((sample for sample in firsts if sample is not None), default=None),
        max((sample for sample in lasts if sample is not None), default=None),
    )


@dataclass(frozen=True, slots=True)
class SideLanding:
    """A landing of one side, or of the whole body (the side of the trial).

    Positions count slots of `signals`; they are None where the event was not found.
    """

    number: int
    side: str
    event_source: str
    signals: Signals | None
    contact: float | None = None
    takeoff: float | None = None
    lowest: float | None = None
    flags: frozenset[str] = _NONE

    def seconds(self, position: float | None) -> float | None:
        """Return the time of one of the positions on the trial's clock."""
        if position is None or self.signals is None:
            return None
        return self.signals.seconds(position)

    def contact_in(self, signals: Signals) -> float | None:
        """Return the place of the initial contact in another recording of the trial."""
        time_s = self.seconds(self.contact)
        return None if time_s is None else signals.position(time_s)

    def takeoff_after_contact_in(self, signals: Signals) -> float | None:
        """Return the place of the take-off that ends the contact; None where there is none."""
        if self.contact is None or self.takeoff is None or self.takeoff <= self.contact:
            return None
        time_s = self.seconds(self.takeoff)
        return None if time_s is None else signals.position(time_s)


class Value(NamedTuple):
    """A metric of a landing: measured, or refused with its reason.

    Parameters
    ----------
    signals : recording that carries the value
    events : landing whose events bound the window
    calibrations : standing recordings used
    flags : everything known against (or about) the value, the landing's flags apart
    """

    number: int
    side: str
    metric: str
    sensor: str
    outcome: Outcome
    signals: Signals
    events: SideLanding
    calibrations: tuple[Source, ...]
    flags: frozenset[str]


@dataclass(frozen=True, slots=True)
class Carrier:
    """What the values of one sensor in one recording have in common."""

    sensor: str
    signals: Signals
    clipped: Clipping | None
    calibrations: tuple[Source, ...] = ()
    flags: frozenset[str] = _NONE

    def judged(
        self,
        wanted: Iterable[Metric],
        outcomes: Mapping[str, Outcome],
        missing: Refused,
        events: SideLanding,
        limits: Quality,
        flags: Mapping[str, frozenset[str]],
    ) -> Iterator[Value]:
        """Yield the wanted metrics of a landing, judged by what happened inside their windows.

        A value with a gap that must not be bridged is kept, flagged: only then can a reader see
        what was excluded.

        Parameters
        ----------
        outcomes
            By metric; one without is refused as `missing`.
        flags
            What is known against single metrics.
        """
        ours = self.flags.union(self.signals.flags)
        flawless = self.clipped is None and not self.signals.as_recorded.gaps
        for metric in wanted:
            outcome = outcomes.get(metric.id, missing)
            against = flags.get(metric.id, _NONE)
            # Most values have nothing against them: sets are joined only where there is something.
            if ours:
                against |= ours
            if isinstance(outcome, Refused):
                against |= {str(outcome.reason)}
            else:
                if outside := range_flags(outcome.value, metric.limits_of(events.side)):
                    against |= outside
                if not flawless:
                    against |= self._window_flags(metric, outcome, events, limits)
            yield Value(
                events.number,
                events.side,
                metric.id,
                self.sensor,
                outcome,
                self.signals,
                events,
                self.calibrations,
                against,
            )

    def _window_flags(
        self, metric: Metric, outcome: Measured, events: SideLanding, limits: Quality
    ) -> frozenset[str]:
        found = _NONE
        if self.clipped is not None:
            bounded = metric.when_clipped != "affected"
            first, last = outcome.first_sample, outcome.last_sample
            found |= clip_flags(self.clipped, first, last, bounded=bounded)
        if self.signals.as_recorded.gaps:
            found |= self._gap_flags(outcome, events, limits)
        return found

    def _gap_flags(self, outcome: Measured, events: SideLanding, limits: Quality) -> frozenset[str]:
        contact = events.contact_in(self.signals)
        if contact is None:
            return _NONE
        recorded, place = self.signals.as_recorded, self.signals.recorded_position
        return gap_flags(
            recorded.gaps,
            math.floor(place(outcome.first_sample)),
            math.ceil(place(outcome.last_sample)),
            place(contact),
            recorded.rate_hz,
            limits,
        )


def shifted(outcome: Outcome, slots: int) -> Outcome:
    """Return an outcome whose samples count from a place `slots` earlier."""
    if isinstance(outcome, Refused):
        return outcome
    return Measured(outcome.value, outcome.first_sample + slots, outcome.last_sample + slots)
