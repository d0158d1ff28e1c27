"""Put the recordings of a trial on one clock: as they are (trigger), or by a stomp.

With a stomp, the clock of the trial is that of its plates (without plates, of an accelerometer).
Every other recording is shifted by the lag found, and the stretch of the stomp is cut off all of
them, so that no stomp is taken for a landing. Devices that were declared to share a clock share its
lag, whichever of them shows the stomp. A recording whose lag cannot be told is measured on its own
clock (`clocks`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.extraction.clocks import clock_of, on_own_clock
from pipeline.extraction.harmonised import samples_between_common
from pipeline.extraction.signals import Signals
from pipeline.extraction.stomp_clocks import (
    END,
    START,
    Clock,
    clock_by_stomp,
    duration_s,
    reference_of,
    stomps_of,
    unknown_clock,
)
from pipeline.extraction.trials import SharedClocks
from pipeline.filtering.gaps import Gap
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings
from shared.settings.study import synchronisation_of_sites

DECLARED = "shared_clock"


@dataclass(frozen=True, slots=True)
class OnOneClock:
    """The recordings of a trial on its clock, and how each but the reference came there."""

    recordings: tuple[Signals, ...]
    clocks: tuple[Clock, ...] = ()


Synchroniser = Callable[[Sequence[Signals], float, ProcessingSettings, SharedClocks], OnOneClock]
"""Recordings of a trial, body weight (N), settings, shared clocks -> all of them on one clock."""


def by_trigger(
    recordings: Sequence[Signals],
    body_weight_n: float,  # noqa: ARG001 -- same form for every way
    settings: ProcessingSettings,  # noqa: ARG001
    shared: SharedClocks = (),  # noqa: ARG001
) -> OnOneClock:
    """Return the recordings as they are: a common trigger made their time zero."""
    return OnOneClock(tuple(recordings))


def cut(signals: Signals, from_s: float, until_s: float) -> Signals:
    """Return the stretch between two times of the trial's clock; raw samples stay what they are."""
    size = next(iter(signals.channels.values())).size
    first = min(max(math.ceil(signals.position(from_s)), 0), size)
    end = max(min(math.floor(signals.position(until_s)) + 1, size), first)
    slots = np.arange(size) if signals.slots is None else signals.slots
    gaps = (Gap(max(g.first, first) - first, min(g.end, end) - first) for g in signals.gaps)
    return replace(
        signals,
        start_s=signals.seconds(first),
        channels={name: values[first:end] for name, values in signals.channels.items()},
        gaps=tuple(gap for gap in gaps if gap.end > gap.first),
        slots=slots - first,
    )


def _as_recorded(signals: Signals) -> Signals:
    """Return a recording in which a stomp was expected and none is: whole, and flagged."""
    return replace(signals, flags=tuple(sorted({*signals.flags, str(Reason.NO_STOMP)})))


def _without_stomps(
    signals: Signals, reference: Signals, places: Sequence[str], settings: ProcessingSettings
) -> Signals:
    """Cut the stomps off a recording; one that is too short for them stays whole.

    What is left begins where the whole recording at its common rates would have a sample: else a
    lag known to a tenth of a millisecond would decide where between two samples a peak lies, and
    that is as much as some per cent of a peak at 200 per second.
    """
    search_s = settings.synchronisation.search_s
    from_s, until_s = reference.start_s, reference.start_s + duration_s(reference)
    from_s += search_s if START in places else 0.0
    until_s -= search_s if END in places else 0.0
    every = samples_between_common(signals, settings.filtering.harmonised_rate_hz.by_sensor)
    # What is a millionth of a sample late is rounding.
    first = math.ceil((signals.position(from_s) - 1e-6) / every) * every
    rest = cut(signals, signals.seconds(first - 0.5), until_s)
    return rest if duration_s(rest) >= settings.calibration.window_s else signals


def _by_declaration(clock: Clock, known: Clock) -> Clock:
    """Return the clock of a recording as that of another one with which it shares it."""
    if known.lag_s is not None:
        return Clock(
            clock.recording_id, clock.reference_id, clock.device, DECLARED, lag_s=known.lag_s
        )
    if clock.compared:
        return clock
    return replace(clock, reason=f"its clock is that of {known.device}: {known.reason}")


def _with_shared(
    clocks: dict[str, Clock], reference: Signals, shared: SharedClocks
) -> dict[str, Clock]:
    """Give recordings without a lag that of a device with which they share a clock.

    One clock has one lag: that of the reference, else that of the first device which has one. The
    shock reaches each of them after a way of its own, so that several lags would differ.
    """
    own = Clock(reference.recording_id, reference.recording_id, reference.device, lag_s=0.0)
    first: dict[tuple[str, ...], Clock] = {clock_of(reference.device, shared): own}
    ranked = sorted(clocks.values(), key=lambda clock: (clock.lag_s is None, not clock.compared))
    for clock in ranked:
        first.setdefault(clock_of(clock.device, shared), clock)
    found = {}
    for name, clock in clocks.items():
        known = first[clock_of(clock.device, shared)]
        found[name] = clock if known is clock else _by_declaration(clock, known)
    return found


def _beside(
    recordings: Sequence[Signals],
    clocks: dict[str, Clock],
    reference: Signals,
    shared: SharedClocks,
) -> list[Signals]:
    """Shift each recording onto the clock of the reference.

    Without a lag it goes on its own clock, laid beside the reference by its first sample; what
    shares that clock is shifted as far.
    """
    first_s: dict[tuple[str, ...], float] = {}
    shifted = []
    for signals in recordings:
        clock = clocks.get(signals.recording_id)
        if clock is None:
            shifted.append(signals)
        elif clock.lag_s is not None:
            by_stomp = clock_of(signals.device, shared) != clock_of(reference.device, shared)
            start_s = signals.start_s - clock.lag_s
            shifted.append(replace(signals, start_s=start_s, lag_by_stomp=by_stomp))
        else:
            zero_s = first_s.setdefault(clock_of(signals.device, shared), signals.start_s)
            start_s = reference.start_s + signals.start_s - zero_s
            shifted.append(replace(on_own_clock(signals, shared), start_s=start_s))
    return shifted


def by_stomp(
    recordings: Sequence[Signals],
    body_weight_n: float,
    settings: ProcessingSettings,
    shared: SharedClocks = (),
) -> OnOneClock:
    """Shift the recordings of a trial onto the clock of its plates by the stomp in them.

    Recordings are laid side by side by their first samples: they begin within `largest_lag_s` of
    each other, whatever their clocks show. A trial with one recording has nothing to synchronise;
    its stomp is cut off all the same. Only a stretch in which the reference shows a stomp is cut
    off; where it shows none at all (`no_stomp`), each clock gives what it gives alone: the setting
    may be wrong, the samples are not.
    """
    # Without plates and accelerometers nothing shows a stomp: the first recording stays as it is.
    reference = reference_of(recordings) or recordings[0]
    places, missing = stomps_of(reference, body_weight_n, settings)
    clocks = {
        signals.recording_id: unknown_clock(reference, signals, f"{missing} in the reference")
        if missing
        else clock_by_stomp(reference, signals, places, body_weight_n, settings)
        for signals in recordings
        if signals is not reference
    }
    if shared:
        clocks = _with_shared(clocks, reference, shared)
    shifted = _beside(recordings, clocks, reference, shared)
    if missing:
        kept = tuple(_as_recorded(signals) for signals in shifted)
    else:
        kept = tuple(_without_stomps(signals, reference, places, settings) for signals in shifted)
    return OnOneClock(kept, tuple(clocks.values()))


WAYS: dict[str, Synchroniser] = {"trigger": by_trigger, "stomp": by_stomp}
"""synchronisation in study.yaml -> what it does."""


def ways_of(study: Mapping[str, Any]) -> dict[str, Synchroniser]:
    """Return by site what puts its recordings on one clock, from the settings of a study."""
    return {site: WAYS[way] for site, way in synchronisation_of_sites(study).items()}
