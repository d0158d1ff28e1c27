"""Events on a waist accelerometer: flight, contact and take-off from the resultant.

At rest the resultant of the specific force is 1 g, in free fall 0. Contact of the foot precedes
the rise at the waist, so times by waist and by plate are different measurements.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.events.phases import Event, FlightPhase
from pipeline.filtering.sampled import crossing_position
from pipeline.filtering.spells import spells_bridging

Signal = NDArray[np.float64]
Indices = NDArray[np.int64]


def resultant(specific_force: Signal) -> Signal:
    """Return the length of the specific force, shape (3, samples) -> (samples,)."""
    return np.sqrt(np.einsum("ij,ij->j", specific_force, specific_force))


def waist_flights(
    resultant_g: Signal,
    rate_hz: float,
    *,
    waist_flight_threshold_g: float,
    waist_minimum_flight_s: float,
    waist_contact_threshold_g: float,
    waist_search_s: float,
    waist_ringing_s: float,
    waist_hold_s: float,
) -> tuple[FlightPhase, ...]:
    """Find the times of near weightlessness.

    Flight is a resultant below `waist_flight_threshold_g` for `waist_minimum_flight_s`; excursions
    above it that are shorter than `waist_hold_s` do not end it. Take-off is the downward crossing
    of that threshold at its start. Contact is the last upward crossing of
    `waist_contact_threshold_g` before the impact peak, walking back from the peak within
    `waist_search_s` after the flight. Source: common practice, no source.

    A fall ends on the ground: where the recording goes on and nothing rises to
    `waist_contact_threshold_g`, nobody flew. A quick rise from the squat unloads the waist as long.

    Belt and soft tissue ring: an excursion right after take-off, and a dip between toe and heel
    peak, that last less than `waist_ringing_s` move neither event. Source: common practice, no
    source; toe and heel peak lie within 15 to 100 ms of contact.

    Parameters
    ----------
    resultant_g
        Resultant specific force in g, gravity included, unfiltered or low-passed at >= 50 Hz.
    """
    starts, ends = spells_bridging(resultant_g < waist_flight_threshold_g, waist_hold_s * rate_hz)
    search, ringing = math.ceil(waist_search_s * rate_hz), waist_ringing_s * rate_hz
    phases = []
    for first, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if end - first < waist_minimum_flight_s * rate_hz:
            continue
        first = _before_ringing(first, starts, ends, ringing)
        takeoff = None
        if first > 0:
            takeoff = Event(first, crossing_position(resultant_g, first, waist_flight_threshold_g))
        contact, peak = None, 0.0
        after = resultant_g[end : end + search + 1]
        if len(after):
            peak_sample = end + int(np.argmax(after))
            peak = float(resultant_g[peak_sample])
            contact = _contact(
                resultant_g[: peak_sample + 1],
                first,
                waist_contact_threshold_g,
                ringing,
            )
        if contact is None and end + search < len(resultant_g):
            continue
        endless = contact is None
        phases.append(FlightPhase(takeoff, contact, 0.0 if endless else peak, endless=endless))
    return tuple(phases)


def _before_ringing(first: int, starts: Indices, ends: Indices, ringing: float) -> int:
    """Walk back over unloaded spells that only the ringing parts from the flight."""
    place = int(np.searchsorted(starts, first))
    while place > 0 and starts[place] - ends[place - 1] < ringing:
        place -= 1
    return int(starts[place])


def _contact(until_peak: Signal, first: int, level: float, dip_samples: float) -> Event | None:
    """Walk back from the impact peak, the last sample given, to where the resultant rose."""
    if until_peak[-1] < level:
        return None
    starts, _ = spells_bridging(until_peak[first:] >= level, dip_samples)
    sample = first + int(starts[-1])
    return Event(sample, crossing_position(until_peak, sample, level))
