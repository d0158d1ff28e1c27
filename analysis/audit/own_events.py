"""Contacts and take-offs by the second path: load on and off, cleaned by morphology.

Definitions are those of the settings; the way is another one: spells of load are opened and closed
as one-dimensional images, where the pipeline walks through lists of spells.

The second path is independent in its code, not in its reading of the rules: it was written with the
pipeline's rules known, and its search for quiet stances and its rule for a foot beside the plate
were brought to the definitions after a first comparison had shown outliers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, binary_opening

from shared.settings.processing import Events

Signal = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Flight:
    """A time without load: take-off and contact as places in samples, None where not recorded.

    `peak` is the largest load soon after the contact, in the unit of the signal.
    """

    takeoff: float | None
    contact: float | None
    peak: float

    def seconds(self, rate_hz: float) -> float | None:
        """Return the flight time; None unless both ends were recorded."""
        if self.takeoff is None or self.contact is None:
            return None
        return (self.contact - self.takeoff) / rate_hz


@dataclass(frozen=True, slots=True)
class Landing:
    """One landing: its flight, its contact, and the take-off after it (drop jump 1, cut)."""

    flight: Flight
    contact: float
    following: float | None = None


def _edges(mask: Mask) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    change = np.diff(mask.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(change == 1), np.flatnonzero(change == -1)


def _closed(mask: Mask, longest: int) -> Mask:
    """Fill gaps of at most `longest` samples; the ends count as they are."""
    if longest < 1:
        return mask
    padded = np.pad(mask, longest + 1, mode="edge")
    return binary_closing(padded, np.ones(longest + 1, bool))[longest + 1 : -longest - 1]


def _opened(mask: Mask, shortest: int) -> Mask:
    """Drop spells of fewer than `shortest` samples; the ends count as they are."""
    if shortest < 2:
        return mask
    padded = np.pad(mask, shortest, mode="edge")
    return binary_opening(padded, np.ones(shortest, bool))[shortest:-shortest]


def _fewer_than(samples: float) -> int:
    return max(int(np.ceil(samples - 1e-9)) - 1, 0)


def _crossing(signal: Signal, sample: int, level: float) -> float:
    before, after = signal[sample - 1], signal[sample]
    return sample - 1 + float(np.clip((level - before) / (after - before), 0.0, 1.0))


def empty_reading(force: Signal, rate_hz: float, settings: Events) -> tuple[float, float] | None:
    """Return mean and deviation of an unloaded plate; None where it never was empty.

    The longest time near the lowest reading, without its first and last quarter.
    """
    width = max(round(settings.empty_window_s * rate_hz), 2)
    if len(force) < width:
        return None
    means = np.convolve(force, np.ones(width) / width, mode="valid")
    start = int(np.argmin(means))
    low, spread = float(means[start]), float(force[start : start + width].std())
    if max(abs(low), spread) > settings.largest_offset_n:
        return None
    margin = max(settings.force_threshold_n, settings.force_threshold_sd * spread)
    firsts, ends = _edges(force < low + margin)
    longest = int(np.argmax(ends - firsts))
    first, end = int(firsts[longest]), int(ends[longest])
    quarter = (end - first) // 4
    still = force[first + quarter : max(end - quarter, first + quarter + 1)]
    return float(still.mean()), float(still.std())


def plate_flights(
    forces: Sequence[Signal], levels: Sequence[float], rate_hz: float, settings: Events
) -> list[Flight]:
    """Return the times in which no plate carries anyone; contact is that of the first plate."""
    loaded = np.any([force >= level for force, level in zip(forces, levels, strict=True)], axis=0)
    hold = settings.contact_hold_s * rate_hz
    loaded = _opened(
        _closed(loaded, _fewer_than(settings.contact_dip_s * rate_hz)), int(np.ceil(hold - 1e-9))
    )
    total = np.sum(forces, axis=0)
    reach = int(np.ceil(settings.landing_peak_window_s * rate_hz)) + 1
    pairs = list(zip(forces, levels, strict=True))
    flights = []
    for first, end in zip(*_edges(~loaded), strict=True):
        if end - first < settings.minimum_flight_s * rate_hz:
            continue
        takeoff = contact = None
        peak = 0.0
        if first > 0:
            falls = [_crossing(f, first, v) for f, v in pairs if f[first - 1] >= v > f[first]]
            takeoff = max(falls, default=float(first))
        if end < len(total) and end - first >= settings.unloaded_before_contact_s * rate_hz:
            rises = [_crossing(f, end, v) for f, v in pairs if f[end] >= v > f[end - 1]]
            contact = min(rises, default=float(end))
            peak = float(total[end : end + reach].max())
        flights.append(Flight(takeoff, contact, peak))
    return flights


def waist_flights(size_g: Signal, rate_hz: float, settings: Events) -> list[Flight]:
    """Return the times of near weightlessness at the waist that end in an impact.

    Or at the end of the recording; a lull after which nothing rises is no flight.
    """
    light = size_g < settings.waist_flight_threshold_g
    ringing = _fewer_than(settings.waist_ringing_s * rate_hz)
    steady = _closed(light, _fewer_than(settings.waist_hold_s * rate_hz))
    merged_firsts, _ = _edges(_closed(steady, ringing))
    flights = []
    for first, end in zip(*_edges(steady), strict=True):
        if end - first < settings.waist_minimum_flight_s * rate_hz:
            continue
        within = int(np.searchsorted(merged_firsts, first, side="right")) - 1
        first = int(merged_firsts[within])
        level = settings.waist_flight_threshold_g
        takeoff = _crossing(size_g, first, level) if first > 0 else None
        reach = int(np.ceil(settings.waist_search_s * rate_hz))
        search = size_g[end : end + reach + 1]
        contact, peak = None, 0.0
        if len(search):
            top = end + int(np.argmax(search))
            heavy = size_g[first : top + 1] >= settings.waist_contact_threshold_g
            if heavy[-1]:
                rises, _ = _edges(_closed(heavy, ringing))
                rise = first + int(rises[-1])
                contact = _crossing(size_g, rise, settings.waist_contact_threshold_g)
                peak = float(size_g[top])
        unfinished = contact is None and end + reach >= len(size_g)
        if unfinished or peak >= settings.waist_landing_peak_g:
            flights.append(Flight(takeoff, contact, peak))
    return flights


def landings(
    task: str, flights: Sequence[Flight], rate_hz: float, smallest_peak: float, settings: Events
) -> dict[int, Landing]:
    """Return the landings of a task by number, from the flights of one sensor."""

    def is_jump(flight: Flight) -> bool:
        seconds = flight.seconds(rate_hz)
        shortest, longest = settings.shortest_jump_flight_s, settings.longest_jump_flight_s
        return seconds is not None and shortest <= seconds <= longest

    hard = [f for f in flights if f.contact is not None and f.peak >= smallest_peak]
    if task in ("countermovement_jump", "box_jump"):
        jumps = [f for f in hard if is_jump(f)]
        if not jumps:
            return {}
        best = max(jumps, key=lambda f: f.seconds(rate_hz) or 0.0)
        best = jumps[0] if task == "box_jump" else best
        return {1: _landing(best)}
    if not hard:
        return {}
    first = hard[0]
    found = {1: _landing(first)}
    if task not in ("drop_vertical_jump", "cut"):
        return found
    limit = found[1].contact + settings.longest_contact_s * rate_hz
    for flight in flights[flights.index(first) + 1 :]:
        if flight.takeoff is None or flight.takeoff > limit:
            continue
        if task == "cut" or flight.contact is None:
            return {1: _landing(first, flight.takeoff)}
        if is_jump(flight):
            return {1: _landing(first, flight.takeoff), 2: _landing(flight)}
    return found


def _landing(flight: Flight, following: float | None = None) -> Landing:
    assert flight.contact is not None  # callers choose flights by their contact
    return Landing(flight, flight.contact, following)


def limb_flight(flights: Sequence[Flight], contact: float, reach: float) -> Flight | None:
    """Return the flight of one limb whose contact lies nearest to that of the body."""
    near = [f for f in flights if f.contact is not None and abs(f.contact - contact) <= reach]
    return min(near, key=lambda f: abs((f.contact or 0.0) - contact), default=None)
