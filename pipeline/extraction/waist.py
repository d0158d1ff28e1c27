"""Waist accelerometer of a trial: landings seen by it, and its metrics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.events.tasks import Landing
from pipeline.events.waist import resultant, waist_flights
from pipeline.extraction.signals import Signals
from pipeline.extraction.tasks import contact_of, falls_from_box, landings_of, takeoff_of
from pipeline.extraction.trials import REFERENCE, WAIST, Trial
from pipeline.extraction.values import SideLanding
from pipeline.quality.identities import fall_flags, fall_time_share
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]

_OWN_CLOCK = frozenset({str(Reason.OWN_CLOCK)})


@dataclass(frozen=True, slots=True)
class Waist:
    """Specific force of a unit at the waist: three axes in m/s², and the raw resultant in g.

    `sensor` is the word for the unit: waist, or reference_accelerometer.
    """

    sensor: str
    signals: Signals
    axes: Signal
    resultant_g: Signal


def read_waist(trial: Trial, gravity: float) -> Waist | None:
    """Return the waist accelerometer of a trial; None without one."""
    return _read(trial, WAIST, "waist", "waist", gravity)


def read_reference(trial: Trial, gravity: float) -> Waist | None:
    """Return the reference accelerometer of a trial; None without one."""
    return _read(trial, REFERENCE, "reference", "reference_accelerometer", gravity)


def _read(
    trial: Trial, channels: tuple[str, ...], place: str, sensor: str, gravity: float
) -> Waist | None:
    signals = trial.with_channels(*channels)
    if signals is None:
        return None
    axes = signals.stack(list(channels))
    # Saturation is judged on the raw samples; everything else reads the calibrated axes.
    bench = trial.accelerometers.get((signals.device, place))
    axes = axes if bench is None else bench.corrected(axes)
    return Waist(sensor, signals, axes, resultant(axes) / gravity)


def _fall_flags(
    waist: Waist, trial: Trial, landing: Landing | None, settings: ProcessingSettings
) -> frozenset[str]:
    """Tell whether the fall that the unit felt is not one from the box of the trial.

    It begins a little late, when less than the threshold of flight is felt, and ends as late: with
    a plate, the speed at contact tells more exactly.
    """
    box_height_m = trial.box_height_m
    if landing is None or box_height_m is None or not falls_from_box(trial.task, landing.number):
        return frozenset()
    fall_s = landing.flight.duration_s(waist.signals.rate_hz)
    if fall_s is None:
        return frozenset()
    gravity = settings.standard_gravity
    share = fall_time_share(gravity * fall_s, box_height_m, gravity=gravity)
    return fall_flags(share, settings.quality)


def waist_landings(
    waist: Waist, trial: Trial, settings: ProcessingSettings
) -> dict[int, SideLanding]:
    """Return the landings by number; a waist unit sees the whole body only.

    The rise at the waist follows the contact of the foot by some milliseconds: its times are
    measurements of their own, never mixed with those of plates.
    """
    events, task = settings.events, trial.task
    phases = waist_flights(
        waist.resultant_g,
        waist.signals.rate_hz,
        waist_flight_threshold_g=events.waist_flight_threshold_g,
        waist_minimum_flight_s=events.waist_minimum_flight_s,
        waist_contact_threshold_g=events.waist_contact_threshold_g,
        waist_search_s=events.waist_search_s,
        waist_ringing_s=events.waist_ringing_s,
        waist_hold_s=events.waist_hold_s,
    )
    # A quick rise from the squat unloads the waist as long as a hop does, but ends in no impact.
    smallest = events.waist_landing_peak_g
    flights = [phase for phase in phases if phase.contact is None or phase.peak >= smallest]
    found = landings_of(
        task,
        flights,
        len(waist.resultant_g),
        waist.signals.rate_hz,
        smallest_landing_peak=smallest,
        settings=events,
    )
    return {
        number: SideLanding(
            number,
            trial.side,
            waist.sensor,
            waist.signals,
            contact=contact_of(item.landing),
            takeoff=takeoff_of(item.landing, task) if item.landing else None,
            flags=item.flags.union(
                _OWN_CLOCK.intersection(waist.signals.flags),
                _fall_flags(waist, trial, item.landing, settings),
            ),
        )
        for number, item in found.items()
    }
