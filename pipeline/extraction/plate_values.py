"""Metrics of force plates, for a limb or for the whole body."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from pipeline.extraction.plate_forces import Forces
from pipeline.extraction.plate_landings import BodyOnPlates
from pipeline.extraction.plate_motion import jump_from_standing, motion_values, rebound
from pipeline.extraction.plates import Plates
from pipeline.extraction.values import SideLanding
from pipeline.metrics.force import (
    ForcePeak,
    contact_lag,
    gross_impulse,
    gross_impulse_until,
    impulse_share,
    peak_force,
    peak_vgrf,
    time_to_peak_vgrf,
)
from pipeline.metrics.jump import jump_height_from_flight_time, time_between
from pipeline.metrics.loading_rate import (
    average_loading_rate,
    loading_rate_20_to_80_percent,
    peak_loading_rate,
)
from pipeline.metrics.outcome import Outcome, Refused
from pipeline.metrics.peaks import two_peaks
from pipeline.reasons import Reason
from shared.metric_dictionary import Metric
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]
Outcomes = dict[str, Outcome]

PEAK_METRICS = (
    "peak_vgrf",
    "time_to_peak_vgrf",
    "average_loading_rate",
    "peak_loading_rate",
    "loading_rate_20_to_80_percent",
)
TWO_PEAKS = (
    "first_force_peak",
    "time_to_first_force_peak",
    "second_force_peak",
    "time_to_second_force_peak",
)
IMPULSES = {"impulse_first_50_ms": 0.050, "impulse_first_100_ms": 0.100}

_NO_LOWEST = Refused(Reason.NO_IMPACT_SPEED, "the lowest point of the centre of mass is not known")


_NEED_BODY_WEIGHT = frozenset(
    {
        "jump_height_from_final_stance",
        "impact_speed_from_final_stance",
        "impact_speed_from_following_jump",
        "impact_speed_mismatch",
        "negative_work_mismatch",
        "fall_time_share",
        "time_to_lowest_point",
        "net_braking_impulse",
        "centre_of_mass_displacement",
        "force_displacement_correlation",
        "vertical_stiffness",
        "negative_work",
        "time_to_stabilisation",
    }
)


def needs_body_weight(metric: Metric) -> bool:
    """Tell whether a metric of the plates depends on the body weight of the calibration."""
    return metric.unit.startswith("BW") or metric.id in _NEED_BODY_WEIGHT


def _peak_values(
    smooth: Signal, peak: ForcePeak, rate_hz: float, contact: float, body_weight_n: float
) -> Outcomes:
    place = {"contact": contact, "body_weight_n": body_weight_n}
    return {
        "peak_vgrf": peak_vgrf(peak, body_weight_n=body_weight_n),
        "time_to_peak_vgrf": time_to_peak_vgrf(peak, rate_hz, contact=contact),
        "average_loading_rate": average_loading_rate(smooth, peak, rate_hz, **place),
        "peak_loading_rate": peak_loading_rate(smooth, peak, rate_hz, **place),
        "loading_rate_20_to_80_percent": loading_rate_20_to_80_percent(
            smooth, peak, rate_hz, **place
        ),
    }


def _two_peak_values(
    smooth: Signal,
    rate_hz: float,
    landing: SideLanding,
    contact: float,
    body_weight_n: float,
    settings: ProcessingSettings,
) -> Outcomes:
    windows = settings.windows
    peaks = two_peaks(
        smooth,
        rate_hz,
        contact=contact,
        lowest=landing.lowest,
        from_s=windows.force_peaks_from_s,
        until_s=windows.force_peaks_until_s,
        smallest_prominence_n=settings.metric_limits.force_peak_prominence_bw * body_weight_n,
        reach_s=windows.peak_force_s,
    )
    if isinstance(peaks, Refused):
        return dict.fromkeys(TWO_PEAKS, peaks)
    values = [
        value
        for order in (0, 1)
        for value in (peaks.force_bw(order, body_weight_n), peaks.time_ms(order, rate_hz, contact))
    ]
    return dict(zip(TWO_PEAKS, values, strict=True))


def _smooth_values(
    smooth: Signal,
    landing: SideLanding,
    contact: float,
    rate_hz: float,
    body_weight_n: float,
    settings: ProcessingSettings,
) -> Outcomes:
    peak = peak_force(
        smooth,
        rate_hz,
        contact=contact,
        lowest=landing.lowest,
        peak_force_s=settings.windows.peak_force_s,
    )
    values: Outcomes
    if isinstance(peak, Refused):
        values = dict.fromkeys(PEAK_METRICS, peak)
    else:
        values = _peak_values(smooth, peak, rate_hz, contact, body_weight_n)
    return values | _two_peak_values(smooth, rate_hz, landing, contact, body_weight_n, settings)


def force_values(
    forces: Forces,
    landing: SideLanding,
    rate_hz: float,
    *,
    body_weight_n: float,
    settings: ProcessingSettings,
) -> Outcomes:
    """Return peaks, their times, loading rates and impulses of one landing.

    Parameters
    ----------
    landing
        A landing whose contact was found.
    """
    contact, lowest = landing.contact, landing.lowest
    if contact is None:
        raise ValueError("the landing has no contact")
    values: Outcomes
    if isinstance(forces.smooth, Refused):
        values = dict.fromkeys((*PEAK_METRICS, *TWO_PEAKS), forces.smooth)
    else:
        values = _smooth_values(forces.smooth, landing, contact, rate_hz, body_weight_n, settings)
    for metric, duration_s in IMPULSES.items():
        values[metric] = gross_impulse(
            forces.raw, rate_hz, contact=contact, duration_s=duration_s, body_weight_n=body_weight_n
        )
    values["impulse_to_lowest_point"] = (
        _NO_LOWEST
        if lowest is None or lowest <= contact
        else gross_impulse_until(
            forces.raw, rate_hz, contact=contact, end=lowest, body_weight_n=body_weight_n
        )
    )
    return values


def between_limbs(
    limb: SideLanding,
    other: SideLanding,
    body: SideLanding,
    forces: Mapping[str, Forces],
    rate_hz: float,
) -> Outcomes:
    """Return how much later this limb touches than the other one, and its share of the impulse.

    Both are values of this limb: the lag of the involved limb is its contact minus that of the
    uninvolved one, without a rule for sides.
    """
    nothing = Refused(Reason.NO_LANDING, "the other limb was not found on its plate")
    values: Outcomes = dict.fromkeys(
        ("contact_lag_between_limbs", "landing_impulse_share"), nothing
    )
    if limb.contact is None or other.contact is None or body.contact is None:
        return values
    values["contact_lag_between_limbs"] = contact_lag(limb.contact, other.contact, rate_hz)
    values["landing_impulse_share"] = (
        _NO_LOWEST
        if body.lowest is None
        else impulse_share(
            forces[limb.side].raw,
            forces[body.side].raw,
            rate_hz,
            contact=body.contact,
            end=body.lowest,
        )
    )
    return values


def timing_values(
    landing: SideLanding, rate_hz: float, wanted: frozenset[str] | set[str], *, gravity: float
) -> Outcomes:
    """Return flight time, height from it, and contact time, as far as they are wanted.

    A landing without its take-off gives refusals.
    """
    contact, takeoff = landing.contact, landing.takeoff
    values: Outcomes = {}
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


def body_values(
    plates: Plates,
    body: BodyOnPlates,
    number: int,
    names: frozenset[str],
    *,
    body_weight_n: float,
    settings: ProcessingSettings,
) -> Outcomes:
    """Return the values of a landing that exist for the whole body only.

    Parameters
    ----------
    names
        The metrics that are wanted.
    """
    landing, gravity = body.landings[number], settings.standard_gravity
    values: Outcomes = {}
    if "jump_height_from_impulse" in names:
        values |= jump_from_standing(plates, landing, settings)
    if number not in body.impacts:
        return values
    rate_hz = plates.signals.rate_hz
    values |= timing_values(landing, rate_hz, names, gravity=gravity)
    if "reactive_strength_index" in names:
        values["reactive_strength_index"] = rebound(
            values["contact_time"], body.landings.get(number + 1), rate_hz, gravity=gravity
        )
    if "centre_of_mass_displacement" in names:
        values |= motion_values(
            plates, body, number, names, body_weight_n=body_weight_n, settings=settings
        )
    return values
