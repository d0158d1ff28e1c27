"""Trials whose recordings do not share a clock: each clock is measured alone, never across.

A device that could not be put on the clock of its trial still has its own time base. What it yields
alone (its own events, and what they bound) is measured on that; what needs an instant of another
clock is refused with `sync_fail`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from pipeline.extraction.observe import Landings, Observed
from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import SharedClocks, Trial
from pipeline.reasons import OF_PERFORMANCE, Reason


def shared_clocks_of(study: Mapping[str, Any]) -> dict[str, SharedClocks]:
    """Return by site which of its devices share a clock, from the settings of a study."""
    return {
        name: tuple(tuple(group) for group in site.get("shared_clocks", []))
        for name, site in study.get("sites", {}).items()
    }


def clock_of(device: str, shared: SharedClocks) -> tuple[str, ...]:
    """Return the devices that share the clock of a device, itself included."""
    return next((group for group in shared if device in group), (device,))


def on_own_clock(signals: Signals, shared: SharedClocks) -> Signals:
    """Return a recording that is no longer on the clock of its trial, and says so."""
    flags = tuple(sorted({*signals.flags, str(Reason.OWN_CLOCK)}))
    return replace(signals, clock="+".join(clock_of(signals.device, shared)), flags=flags)


def by_clock(trial: Trial) -> tuple[Trial, ...]:
    """Return a trial clock by clock: first what is on the trial's own, then by name of the clock.

    Each part knows the recordings on the other clocks as `elsewhere`.
    """
    clocks = sorted({recording.clock for recording in trial.recordings})
    if len(clocks) == 1:
        return (trial,)
    return tuple(
        replace(
            trial,
            recordings=tuple(x for x in trial.recordings if x.clock == clock),
            elsewhere=tuple(x for x in trial.recordings if x.clock != clock),
        )
        for clock in clocks
    )


def waist_on_own_clock(observed: Observed) -> Trial | None:
    """Return the trial with the waist unit off its clock; None where it cannot be.

    Devices that were declared to share their clock leave it together, and none leaves the plates
    with which it was declared to share it.
    """
    trial = observed.trial
    if observed.plates is None or observed.waist is None:
        return None
    away = clock_of(observed.waist.signals.device, trial.shared_clocks)
    if observed.plates.signals.device in away:
        return None
    return replace(
        trial,
        recordings=tuple(
            on_own_clock(x, trial.shared_clocks) if x.device in away else x
            for x in trial.recordings
        ),
    )


def refuse_across_clocks(parts: Sequence[Observed]) -> tuple[Observed, ...]:
    """Mark the landings of a clock that nothing on it can time, but that another clock has seen.

    What the plates saw the athlete do wrong in a landing stands against it on every clock.
    """
    if len(parts) == 1:
        return tuple(parts)
    done: dict[int, frozenset[str]] = {}
    for part in parts:
        for (number, _), landing in part.plate_landings.items():
            done[number] = done.get(number, frozenset()) | (OF_PERFORMANCE & landing.flags)
    seen = {
        number
        for part in parts
        for (number, _), landing in part.chosen.items()
        if landing.contact is not None
    }
    return tuple(replace(part, chosen=_marked(part.chosen, seen, done)) for part in parts)


def _marked(chosen: Landings, seen: set[int], done: Mapping[int, frozenset[str]]) -> Landings:
    refused = frozenset({str(Reason.SYNC_FAIL)})
    return {
        (number, side): replace(landing, flags=refused | done.get(number, frozenset()))
        if landing.signals is None and number in seen
        else replace(landing, flags=landing.flags | done.get(number, frozenset()))
        for (number, side), landing in chosen.items()
    }
