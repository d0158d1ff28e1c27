"""Put the recordings of a trial on one clock: as they are (trigger), or by a stomp.

With a stomp, the clock of the trial is that of its plates (without plates, of an accelerometer).
Every other recording is shifted by the lag found, and the stretch of the stomp is cut off all of
them, so that no stomp is taken for a landing. Devices that were declared to share a clock share its
lag, whichever of them shows the stomp. A recording whose lag cannot be told is measured on its own
clock (`clocks`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.events.stomp import Shock, StompLag, no_stomp, shock, shock_of_rates, stomp_lag
from pipeline.events.waist import resultant
from pipeline.extraction.clocks import clock_of, on_own_clock
from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import REFERENCE, WAIST, SharedClocks
from pipeline.filtering.gaps import Gap
from pipeline.metrics.outcome import Refused
from shared.settings.processing import ProcessingSettings, Synchronisation

DECLARED = "shared_clock"
_COMPARED = {"BW": "force", "g": "acceleration", "": "angular_acceleration"}
START, END = "start", "end"


@dataclass(frozen=True, slots=True)
class Clock:
    """What came of comparing a recording with the reference.

    Parameters
    ----------
    lag_s : what its clock shows beyond the reference's; None when not found
    residual_s : lag at the end minus lag at the start; None without both
    reason : why there is no lag; '' when there is
    """

    recording_id: str
    reference_id: str
    device: str
    compared: str = ""
    place: str = ""
    lag_s: float | None = None
    correlation: float | None = None
    second_peak: float | None = None
    residual_s: float | None = None
    reason: str = ""


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


def _forces(signals: Signals) -> list[str]:
    return [name for name in signals.channels if name.startswith("vertical_force.")]


def _shanks(signals: Signals) -> list[str]:
    return [name for name in signals.channels if name.startswith("shank_rate.")]


def _signal(
    signals: Signals, body_weight_n: float, gravity: float
) -> tuple[NDArray[np.float64], str] | None:
    """Return the force on all plates (BW), else the resultant at the waist (g); None without."""
    if forces := _forces(signals):
        return signals.stack(forces).sum(axis=0) / body_weight_n, "BW"
    for axes in (WAIST, REFERENCE):
        if signals.has(*axes):
            return resultant(signals.stack(list(axes))) / gravity, "g"
    return None


def _reference(recordings: Sequence[Signals]) -> Signals | None:
    """Return the recording whose clock is that of the trial: plates, else an accelerometer."""
    for fits in (_forces, lambda x: x.has(*WAIST), lambda x: x.has(*REFERENCE)):
        for recording in recordings:
            if fits(recording):
                return recording
    return None


def _shocks(
    reference: Signals, other: Signals, body_weight_n: float, settings: ProcessingSettings
) -> tuple[Shock, Shock] | None:
    """Return what a stomp does to both recordings; None where one of them cannot show it."""
    chosen = {
        "order_per_pass": settings.filtering.order_per_pass,
        "settings": settings.synchronisation,
    }
    signal, felt = (
        _signal(signals, body_weight_n, settings.standard_gravity) for signals in (reference, other)
    )
    if signal is None:
        return None
    stomp = shock(signal[0], reference.rate_hz, signal[1], **chosen)
    if felt is not None:
        return stomp, shock(felt[0], other.rate_hz, felt[1], **chosen)
    if shanks := _shanks(other):
        return stomp, shock_of_rates(other.stack(shanks), other.rate_hz, **chosen)
    return None


def _duration_s(signals: Signals) -> float:
    return (next(iter(signals.channels.values())).size - 1) / signals.rate_hz


def _lag_at(
    place: str, reference: Shock, other: Shock, settings: Synchronisation
) -> StompLag | Refused:
    """Return the lag by the stomp at one end of the reference."""
    first_s = 0.0 if place == START else reference.duration_s - settings.search_s
    until_s, margin_s = first_s + settings.search_s, settings.largest_lag_s
    return (
        no_stomp(reference, first_s, until_s, settings)
        or no_stomp(other, first_s - margin_s, until_s + margin_s, settings)
        or stomp_lag(reference, other, first_s, settings)
    )


def _clock(
    reference: Signals, other: Signals, body_weight_n: float, settings: ProcessingSettings
) -> Clock:
    """Compare a recording with the reference."""
    unknown = Clock(other.recording_id, reference.recording_id, other.device)
    if reason := _too_short(reference, other, settings):
        return replace(unknown, reason=reason)
    try:
        shocks = _shocks(reference, other, body_weight_n, settings)
    except ValueError as error:  # the filter says which rate does not fit the band
        return replace(unknown, reason=str(error))
    if shocks is None:
        reason = "no stomp can be seen: expected a plate or an accelerometer in one recording, and "
        reason += "a plate, an accelerometer or a gyroscope on the shank in the other"
        return replace(unknown, reason=reason)
    unknown = replace(unknown, compared=_COMPARED[shocks[1].unit])
    found = {
        place: _lag_at(place, *shocks, settings.synchronisation)
        for place in (START, END)
        if place in settings.synchronisation.stomp_at
    }
    lags = {place: lag for place, lag in found.items() if isinstance(lag, StompLag)}
    if not lags:
        reasons = [lag.detail for lag in found.values() if isinstance(lag, Refused)]
        return replace(unknown, reason=reasons[0])
    place, lag = next(iter(lags.items()))
    return replace(
        unknown,
        place=place,
        lag_s=other.start_s - reference.start_s + lag.lag_s,
        correlation=lag.correlation,
        second_peak=lag.second_peak,
        residual_s=lags[END].lag_s - lags[START].lag_s if len(lags) == 2 else None,
    )


def _too_short(reference: Signals, other: Signals, settings: ProcessingSettings) -> str:
    """Say which recording does not hold its stomps and what any recording needs; '' if none."""
    chosen = settings.synchronisation
    shortest_s = len(chosen.stomp_at) * chosen.search_s + settings.calibration.window_s
    for signals, word in ((reference, "reference"), (other, "recording")):
        if (found_s := _duration_s(signals)) < shortest_s:
            return (
                f"the {word} lasts {found_s:.2f} s, expected {shortest_s:g} s or more for stomp "
                "and task"
            )
    return ""


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


def _without_stomps(signals: Signals, reference: Signals, settings: ProcessingSettings) -> Signals:
    """Cut the stomps off a recording; one that is too short for them stays whole."""
    chosen = settings.synchronisation
    from_s, until_s = reference.start_s, reference.start_s + _duration_s(reference)
    from_s += chosen.search_s if START in chosen.stomp_at else 0.0
    until_s -= chosen.search_s if END in chosen.stomp_at else 0.0
    rest = cut(signals, from_s, until_s)
    return rest if _duration_s(rest) >= settings.calibration.window_s else signals


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
            shifted.append(replace(signals, start_s=signals.start_s - clock.lag_s))
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
    its stomp is cut off all the same.
    """
    # Without plates and accelerometers nothing shows a stomp: the first recording stays as it is.
    reference = _reference(recordings) or recordings[0]
    clocks = {
        signals.recording_id: _clock(reference, signals, body_weight_n, settings)
        for signals in recordings
        if signals is not reference
    }
    if shared:
        clocks = _with_shared(clocks, reference, shared)
    shifted = _beside(recordings, clocks, reference, shared)
    return OnOneClock(
        tuple(_without_stomps(signals, reference, settings) for signals in shifted),
        tuple(clocks.values()),
    )


WAYS: dict[str, Synchroniser] = {"trigger": by_trigger, "stomp": by_stomp}
"""synchronisation in study.yaml -> what it does."""
