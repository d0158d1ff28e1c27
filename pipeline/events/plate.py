"""Events on force plates: the empty plate, contact and take-off.

Events are found on the raw force: a zero-lag filter smears an impact backwards in time (by 9 ms
at 15 Hz).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import Window, mean_and_sd, moving_mean, window_samples
from pipeline.events.phases import Event, FlightPhase
from pipeline.filtering.sampled import crossing_position
from pipeline.filtering.spells import spells, spells_bridging

Signal = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class EmptyPlate:
    """Reading of a plate with nothing on it: mean (offset), standard deviation, samples used."""

    offset_n: float
    noise_n: float
    window: Window


def empty_plate(
    force: Signal,
    rate_hz: float,
    *,
    force_threshold_n: float,
    force_threshold_sd: float,
    empty_window_s: float,
    largest_offset_n: float,
) -> EmptyPlate | None:
    """Read offset and noise from the longest time with nothing on the plate; None without one.

    The longest unloaded spell is used without its first and last quarter, in which a plate rings
    or a foot still brushes it (a jump: the middle half of the flight; a drop: of the time before
    contact).

    Parameters
    ----------
    force
        Raw vertical force of one plate, shape (samples,).
    empty_window_s
        A plate counts as empty only if its force stays low that long.
    largest_offset_n
        A plate that never reads less than this on average was never empty.
    """
    try:
        width = window_samples(empty_window_s, rate_hz, len(force))
    except ValueError:
        return None
    lowest = int(np.argmin(moving_mean(force, width)))
    still = force[lowest : lowest + width]
    mean, spread = mean_and_sd(still)
    if abs(mean) > largest_offset_n or spread > largest_offset_n:
        return None
    margin = max(force_threshold_n, force_threshold_sd * spread)
    starts, ends = spells(force < mean + margin)
    longest = int(np.argmax(ends - starts))
    first, end = int(starts[longest]), int(ends[longest])
    quarter = (end - first) // 4
    window = Window(first + quarter, max(end - quarter - 1, first + quarter))
    return EmptyPlate(*mean_and_sd(force[window.samples]), window)


def contact_threshold(
    noise_n: float, *, force_threshold_n: float, force_threshold_sd: float
) -> float:
    """Return the force that tells contact: a fixed one, or a multiple of the empty plate's noise.

    Source: 10 to 50 N are in use, 20 to 30 N are common practice, no source.
    """
    return max(force_threshold_n, force_threshold_sd * noise_n)


def plate_flights(
    forces: Signal,
    thresholds_n: Sequence[float],
    rate_hz: float,
    *,
    contact_hold_s: float,
    contact_dip_s: float,
    unloaded_before_contact_s: float,
    minimum_flight_s: float,
    landing_peak_window_s: float,
) -> tuple[FlightPhase, ...]:
    """Find the times in which every plate is unloaded.

    Contact is the first sample at or above the threshold on any plate, held for `contact_hold_s`,
    after `unloaded_before_contact_s` without load. A stiff plate rings at the impact, so dips
    shorter than `contact_dip_s` do not interrupt it. Take-off is the sample after the last one
    at or above the threshold, seen backward from the middle of the flight. Loads shorter than
    `contact_hold_s` (a brush, ringing after take-off) are neither. With two plates the contact is
    that of the first limb and the take-off that of the last. Positions are interpolated on the
    threshold.

    Parameters
    ----------
    forces
        Raw vertical force, offset removed, shape (plates, samples).
    thresholds_n
        One per plate, from `contact_threshold`.
    landing_peak_window_s
        The largest load is sought this long after a contact; it tells a landing from a step.
    """
    forces = np.atleast_2d(forces)
    levels = np.asarray(thresholds_n, dtype=np.float64)[:, None]
    loaded = np.logical_or.reduce(forces >= levels, axis=0)
    starts, ends = _unloaded_spells(loaded, contact_hold_s * rate_hz, contact_dip_s * rate_hz)
    samples, search = len(loaded), math.ceil(landing_peak_window_s * rate_hz)
    phases = []
    for first, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if end - first < minimum_flight_s * rate_hz:
            continue
        takeoff = None
        if first > 0:
            takeoff = Event(first, _last_crossing(forces, thresholds_n, first))
        contact, peak = None, 0.0
        if end < samples and end - first >= unloaded_before_contact_s * rate_hz:
            contact = Event(end, _first_crossing(forces, thresholds_n, end))
            peak = float(forces[:, end : end + search + 1].sum(axis=0).max())
        phases.append(FlightPhase(takeoff, contact, peak, endless=end == samples))
    return tuple(phases)


def _unloaded_spells(loaded: NDArray[np.bool_], hold: float, dip: float) -> tuple[Indices, Indices]:
    """Return starts and ends of what lies between loads of `hold` samples, shorter dips joined."""
    starts, ends = spells_bridging(loaded, dip)
    held = ends - starts >= hold
    firsts = np.concatenate(([0], ends[held]))
    lasts = np.concatenate((starts[held], [len(loaded)]))
    some = lasts > firsts
    return firsts[some], lasts[some]


def _first_crossing(forces: Signal, thresholds_n: Sequence[float], sample: int) -> float:
    """Return where the first plate rises to its threshold just before `sample`."""
    return min(
        crossing_position(force, sample, level)
        for force, level in zip(forces, thresholds_n, strict=True)
        if force[sample] >= level
    )


def _last_crossing(forces: Signal, thresholds_n: Sequence[float], sample: int) -> float:
    """Return where the last plate falls to its threshold just before `sample`."""
    return max(
        crossing_position(force, sample, level)
        for force, level in zip(forces, thresholds_n, strict=True)
        if force[sample - 1] >= level
    )


def limb_phase(
    phases: Sequence[FlightPhase],
    body: FlightPhase,
    rate_hz: float,
    *,
    largest_limb_lag_s: float,
) -> FlightPhase | None:
    """Return one limb's flight phase that belongs to a phase of the whole body.

    It is the one whose contact lies nearest to the body's. None when no contact of the limb lies
    within `largest_limb_lag_s`: the limb missed its plate, or never left it.
    """
    if body.contact is None:
        return None
    target = body.contact.position
    candidates = [
        (abs(phase.contact.position - target), phase)
        for phase in phases
        if phase.contact is not None
        and abs(phase.contact.position - target) <= largest_limb_lag_s * rate_hz
    ]
    return min(candidates, key=lambda candidate: candidate[0])[1] if candidates else None
