"""Metrics of force plates, for a limb or for the whole body."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.body_weight import quiet_stance
from pipeline.events.onset import movement_onset
from pipeline.extraction.plates import Plates
from pipeline.extraction.stretch import filtered_between
from pipeline.extraction.values import SideLanding
from pipeline.metrics.force import (
    average_loading_rate,
    gross_impulse,
    peak_force,
    peak_vgrf,
    time_to_peak_vgrf,
)
from pipeline.metrics.jump import (
    jump_height_from_flight_time,
    jump_height_from_impulse,
    time_between,
)
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]

PEAK_METRICS = ("peak_vgrf", "time_to_peak_vgrf", "average_loading_rate")
IMPULSES = {"impulse_first_50_ms": 0.050, "impulse_first_100_ms": 0.100}


def filtered_forces(
    plates: Plates, landings: list[SideLanding], settings: ProcessingSettings
) -> Signal | None:
    """Filter the forces around all landings at once, shape (plates, samples); None without any."""
    contacts = [landing.contact for landing in landings if landing.contact is not None]
    if not contacts:
        return None
    reach = settings.windows.peak_force_s * plates.signals.rate_hz
    return filtered_between(
        plates.forces,
        plates.signals.rate_hz,
        math.floor(min(contacts)) - 1,
        math.ceil(max(contacts) + reach) + 1,
        cutoff_hz=settings.filtering.force_hz,
        order_per_pass=settings.filtering.order_per_pass,
    )


def force_values(
    raw: Signal,
    smooth: Signal,
    landing: SideLanding,
    rate_hz: float,
    *,
    body_weight_n: float,
    settings: ProcessingSettings,
) -> dict[str, Outcome]:
    """Return peak, time to peak, loading rate and impulses of one landing.

    Parameters
    ----------
    raw, smooth
        Force on the limb or body, N, shape (samples,); `smooth` is filtered around the landing.
    landing
        A landing whose contact was found.
    """
    contact = landing.contact
    if contact is None:
        raise ValueError("the landing has no contact")
    peak = peak_force(
        smooth,
        rate_hz,
        contact=contact,
        lowest=landing.lowest,
        peak_force_s=settings.windows.peak_force_s,
    )
    values: dict[str, Outcome] = {}
    if isinstance(peak, Refused):
        values.update(dict.fromkeys(PEAK_METRICS, peak))
    else:
        values["peak_vgrf"] = peak_vgrf(peak, body_weight_n=body_weight_n)
        values["time_to_peak_vgrf"] = time_to_peak_vgrf(peak, rate_hz, contact=contact)
        values["average_loading_rate"] = average_loading_rate(
            smooth, peak, rate_hz, contact=contact, body_weight_n=body_weight_n
        )
    for metric, duration_s in IMPULSES.items():
        values[metric] = gross_impulse(
            raw, rate_hz, contact=contact, duration_s=duration_s, body_weight_n=body_weight_n
        )
    return values


def timing_values(
    landing: SideLanding, rate_hz: float, wanted: set[str], *, gravity: float
) -> dict[str, Outcome]:
    """Return flight time, height from it, and contact time, as far as they are wanted.

    A landing without its take-off gives refusals.
    """
    contact, takeoff = landing.contact, landing.takeoff
    values: dict[str, Outcome] = {}
    if contact is None or takeoff is None:
        refusal = Refused(Reason.NO_FLIGHT, "the take-off was not found")
        names = ("flight_time", "contact_time", "jump_height_from_flight_time")
        return {name: refusal for name in names if name in wanted}
    if "flight_time" in wanted:
        flight = time_between(takeoff, contact, rate_hz)
        values["flight_time"] = flight
        values["jump_height_from_flight_time"] = jump_height_from_flight_time(
            flight, gravity=gravity
        )
    if "contact_time" in wanted:
        values["contact_time"] = time_between(contact, takeoff, rate_hz)
    return values


def height_from_impulse(
    plates: Plates, landing: SideLanding, settings: ProcessingSettings
) -> Outcome:
    """Return the jump height by impulse; body weight is that of the stance before the jump.

    Weighing in the same recording cancels the gain of the plate. Source: Owen et al. 2014.
    """
    if landing.takeoff is None:
        return Refused(Reason.NO_FLIGHT, "the take-off was not found")
    rate_hz, takeoff = plates.signals.rate_hz, math.floor(landing.takeoff)
    stance = quiet_stance(
        plates.total,
        rate_hz,
        window_s=settings.events.quiet_window_s,
        smallest_load_n=settings.calibration.smallest_body_weight_n,
        end_sample=takeoff,
    )
    if stance is None:
        return Refused(Reason.NO_QUIET_STANCE, "nobody stands still before the jump")
    still = plates.total[stance.samples]
    weight, spread = float(still.mean()), float(still.std())
    if spread > settings.calibration.force_spread_share * weight:
        return Refused(
            Reason.NO_QUIET_STANCE,
            f"the force before the jump varies by {spread / weight:.1%} of body weight",
        )
    onset = movement_onset(
        plates.total,
        rate_hz,
        stance=stance,
        end_sample=takeoff,
        onset_sd=settings.events.onset_sd,
        onset_lead_s=settings.events.onset_lead_s,
        onset_hold_s=settings.events.onset_hold_s,
    )
    if onset is None:
        return Refused(Reason.NO_QUIET_STANCE, "no movement onset between stance and take-off")
    height = jump_height_from_impulse(
        plates.total,
        rate_hz,
        onset=onset.position,
        takeoff=landing.takeoff,
        body_weight_n=weight,
        gravity=settings.standard_gravity,
    )
    if isinstance(height, Measured):
        return replace(height, first_sample=stance.first_sample)
    return height
