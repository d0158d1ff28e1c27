"""Waist accelerometer of a trial: landings seen by it, and its metrics."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.events.waist import resultant, waist_flights
from pipeline.extraction.signals import Signals
from pipeline.extraction.stretch import filtered_between
from pipeline.extraction.tasks import contact_of, landings_of, takeoff_of
from pipeline.extraction.trials import WAIST, Trial
from pipeline.extraction.values import SideLanding
from pipeline.metrics.outcome import Outcome, Refused
from pipeline.metrics.waist import peak_waist_acceleration
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]

LANDING_PEAK_G = 1.5
"""A contact with a smaller peak is a step, not a landing: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Waist:
    """Specific force at the waist: three axes in m/s², and the raw resultant in g."""

    signals: Signals
    axes: Signal
    resultant_g: Signal


def read_waist(trial: Trial, gravity: float) -> Waist | None:
    """Return the waist accelerometer of a trial; None without one."""
    signals = trial.with_channels(*WAIST)
    if signals is None:
        return None
    axes = signals.stack(list(WAIST))
    # Saturation is judged on the raw samples; everything else reads the calibrated axes.
    bench = trial.accelerometers.get((signals.device, "waist"))
    axes = axes if bench is None else bench.corrected(axes)
    return Waist(signals, axes, resultant(axes) / gravity)


def waist_landings(
    waist: Waist, task: str, side: str, settings: ProcessingSettings
) -> dict[int, SideLanding]:
    """Return the landings by number; a waist unit sees the whole body only.

    The rise at the waist follows the contact of the foot by some milliseconds: its times are
    measurements of their own, never mixed with those of plates.
    """
    events = settings.events
    phases = waist_flights(
        waist.resultant_g,
        waist.signals.rate_hz,
        waist_flight_threshold_g=events.waist_flight_threshold_g,
        waist_minimum_flight_s=events.waist_minimum_flight_s,
        waist_contact_threshold_g=events.waist_contact_threshold_g,
        waist_search_s=events.waist_search_s,
        waist_ringing_s=events.waist_ringing_s,
    )
    # A quick rise from the squat unloads the waist as long as a hop does, but ends in no impact.
    flights = [phase for phase in phases if phase.contact is None or phase.peak >= LANDING_PEAK_G]
    found = landings_of(
        task,
        flights,
        len(waist.resultant_g),
        waist.signals.rate_hz,
        smallest_landing_peak=LANDING_PEAK_G,
        settings=events,
    )
    return {
        number: SideLanding(
            number,
            side,
            "waist",
            waist.signals,
            contact=contact_of(item.landing),
            takeoff=takeoff_of(item.landing, task) if item.landing else None,
            flags=item.flags,
        )
        for number, item in found.items()
    }


def peak_acceleration(waist: Waist, landing: SideLanding, settings: ProcessingSettings) -> Outcome:
    """Return the peak waist acceleration after a contact that was found."""
    contact, rate_hz = landing.contact, waist.signals.rate_hz
    cutoff = settings.filtering.waist_acceleration_hz
    if contact is None:
        raise ValueError("the landing has no contact")
    if cutoff is not None and cutoff >= 0.5 * rate_hz:
        return Refused(
            Reason.RATE_MISMATCH,
            f"{rate_hz:g} samples per second do not allow the cut-off of {cutoff:g} Hz",
        )
    smooth = filtered_between(
        waist.axes,
        rate_hz,
        math.floor(contact),
        math.ceil(contact + settings.windows.waist_peak_s * rate_hz),
        cutoff_hz=cutoff,
        order_per_pass=settings.filtering.order_per_pass,
    )
    return peak_waist_acceleration(
        resultant(smooth) / settings.standard_gravity,
        rate_hz,
        contact=contact,
        waist_peak_s=settings.windows.waist_peak_s,
    )
