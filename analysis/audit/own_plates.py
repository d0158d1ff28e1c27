"""Force-plate metrics by the second path, from raw forces to values in the units of `metrics`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from analysis.audit.own_events import (
    Flight,
    Landing,
    empty_reading,
    landings,
    limb_flight,
    plate_flights,
)
from analysis.audit.own_signals import between, integral, smoothed, stillest
from analysis.audit.raw_files import RawSignals
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]
Values = dict[tuple[int, str, str, str], float]
"""Value by (landing number, side, metric, sensor)."""


@dataclass(frozen=True, slots=True)
class LoadedPlates:
    """Forces of a trial by side with the empty plates' reading removed, N, shape (samples,).

    `recorded` are the same at the rate of the file, in which contact and take-off are found.
    """

    signals: RawSignals
    forces: dict[str, Signal]
    levels: dict[str, float]
    recorded: LoadedPlates | None = None

    @property
    def total(self) -> Signal:
        """Force on the whole body."""
        return np.sum(list(self.forces.values()), axis=0)

    def flights(self, sides: Sequence[str], settings: ProcessingSettings) -> list[Flight]:
        """Return the times without load on these sides, in samples of `signals`."""
        seen = self.recorded or self
        found = plate_flights(
            [seen.forces[side] for side in sides],
            [seen.levels[side] for side in sides],
            seen.signals.rate_hz,
            settings.events,
        )
        ratio = self.signals.rate_hz / seen.signals.rate_hz
        return [
            Flight(
                None if flight.takeoff is None else flight.takeoff * ratio,
                None if flight.contact is None else flight.contact * ratio,
                flight.peak,
            )
            for flight in found
        ]


def load_plates(signals: RawSignals, settings: ProcessingSettings) -> LoadedPlates | None:
    """Remove what each plate reads when empty; None without plates."""
    forces, levels, events = {}, {}, settings.events
    for channel, force in signals.channels.items():
        if not channel.startswith("vertical_force."):
            continue
        offset, noise = empty_reading(force, signals.rate_hz, events) or (0.0, 0.0)
        side = channel.partition(".")[2]
        forces[side] = force - offset
        levels[side] = max(events.force_threshold_n, events.force_threshold_sd * noise)
    return LoadedPlates(signals, forces, levels) if forces else None


def weighed_n(plates: LoadedPlates, mass_kg: float, settings: ProcessingSettings) -> float | None:
    """Return the weight in the stillest second of quiet standing; None where it is not sound."""
    limits, rate = settings.calibration, plates.signals.rate_hz
    total = np.where(plates.total >= limits.smallest_body_weight_n, plates.total, np.nan)
    width = round(limits.window_s * rate)
    on_plate = np.flatnonzero(np.isfinite(total))
    if len(on_plate) < width:
        return None
    found = stillest(plates.total, width, int(on_plate[0]), int(on_plate[-1]) + 1)
    if found is None:
        return None
    first, last, spread = found
    weight = float(plates.total[first : last + 1].mean())
    scale = mass_kg * settings.standard_gravity
    sound = spread <= limits.force_spread_share * weight
    near = abs(weight / scale - 1.0) <= limits.mass_difference_share
    return weight if sound and near else None


@dataclass(frozen=True, slots=True)
class _Rest:
    """The final stance: its middle, the weight to be used for it, and the load on the plates."""

    position: float
    weight_n: float
    load_n: float


def _resting(
    plates: LoadedPlates, contact: float, weight_n: float, settings: ProcessingSettings
) -> _Rest | None:
    """Return the final stance; None where nobody comes to rest."""
    rate, total = plates.signals.rate_hz, plates.total
    first = int(contact + settings.events.final_stance_after_s * rate)
    width = round(settings.windows.standing_window_s * rate)
    loaded = total >= settings.events.final_stance_load_share * weight_n
    away = np.flatnonzero(~loaded[first:])
    end = first + int(away[0]) if len(away) else len(total)
    found = stillest(total, width, first, end)
    if found is None or found[2] > settings.events.final_stance_spread_share * weight_n:
        return None
    start, last, spread = found
    mean = float(total[start : last + 1].mean())
    quiet = spread <= settings.calibration.force_spread_share * mean
    return _Rest(0.5 * (start + last), mean if quiet else weight_n, mean)


def _speed_change(
    plates: LoadedPlates, first: float, last: float, weight_n: float, gravity: float
) -> float:
    rate = plates.signals.rate_hz
    gross = integral(plates.total, rate, first, last) / weight_n
    return gravity * (gross - (last - first) / rate)


def _impact_speed(
    plates: LoadedPlates,
    number: int,
    found: dict[int, Landing],
    task: str,
    weight_n: float,
    settings: ProcessingSettings,
) -> float | None:
    """Return the downward speed at contact: by the jump after, the flight before, or the rest."""
    landing, gravity, rate = found[number], settings.standard_gravity, plates.signals.rate_hz
    after = found[number + 1].flight.seconds(rate) if number + 1 in found else None
    before = landing.flight.seconds(rate)
    if landing.following is not None and after is not None:
        change = _speed_change(plates, landing.contact, landing.following, weight_n, gravity)
        return change - 0.5 * gravity * after
    jumped = task == "countermovement_jump" or (task == "drop_vertical_jump" and number == 2)
    if before is not None and jumped:
        return 0.5 * gravity * before
    if landing.following is not None or task == "box_jump":
        return None
    rest = _resting(plates, landing.contact, weight_n, settings)
    if rest is None:
        return None
    return _speed_change(plates, landing.contact, rest.position, rest.weight_n, gravity)


def _lowest(
    plates: LoadedPlates,
    contact: float,
    speed: float | None,
    weight_n: float,
    settings: ProcessingSettings,
) -> float | None:
    """Return where the downward speed has come to zero, within the time allowed."""
    if speed is None or speed <= 0.0:
        return None
    rate = plates.signals.rate_hz
    end = min(contact + settings.events.lowest_point_search_s * rate, len(plates.total) - 1.0)
    places = np.concatenate(([contact], np.arange(math.floor(contact) + 1.0, end + 1.0)))
    places = places[places <= len(plates.total) - 1]
    net = np.interp(places, np.arange(len(plates.total)), plates.total) / weight_n - 1.0
    lost = settings.standard_gravity * cumulative_trapezoid(net, places / rate, initial=0)
    left = speed - lost
    below = np.flatnonzero(left <= 0.0)
    if not len(below):
        return None
    i = int(below[0])
    share = left[i - 1] / (left[i - 1] - left[i])
    return float(places[i - 1] + share * (places[i] - places[i - 1]))


def _force_values(
    plates: LoadedPlates,
    side: str,
    contact: float,
    lowest: float | None,
    weight_n: float,
    settings: ProcessingSettings,
) -> dict[str, float]:
    """Return peak, average loading rate and impulses of one limb, or of the whole body."""
    rate = plates.signals.rate_hz
    raw = plates.forces.get(side, plates.total)
    filtering = settings.filtering
    force = smoothed(raw, rate, filtering.force_hz, filtering.order_per_pass)
    limit = contact + settings.windows.peak_force_s * rate
    limit = limit if lowest is None else min(limit, lowest)
    first, last = math.ceil(contact), math.floor(limit)
    if last <= first or last + 1 >= len(force):
        return {}
    top = first + int(np.argmax(force[first : last + 1]))
    curve = np.polynomial.Polynomial.fit([-1.0, 0.0, 1.0], force[top - 1 : top + 2], 2).convert()
    bend, slope = curve.coef[2], curve.coef[1]
    vertex = top - slope / (2.0 * bend) if bend < 0.0 else float(top)
    vertex = min(max(vertex, contact), limit)
    rise = (float(force[top]) - between(force, contact)) / weight_n
    values = {"peak_vgrf": float(force[top]) / weight_n}
    if vertex - contact >= 1.0:
        values["average_loading_rate"] = rise / (vertex - contact) * rate
    end = contact + 0.100 * rate  # the time is in the name of the metric
    if end <= len(raw) - 1:
        values["impulse_first_100_ms"] = integral(raw, rate, contact, end) / weight_n
    if lowest is not None:
        values["impulse_to_lowest_point"] = integral(raw, rate, contact, lowest) / weight_n
    return values


def plate_values(
    plates: LoadedPlates, task: str, side: str, weight_n: float, settings: ProcessingSettings
) -> tuple[Values, dict[tuple[int, str], tuple[float, float | None]]]:
    """Return the values of all landings, and contact and take-off (s) by landing and side.

    The second is empty where the final stance shows that a foot is partly beside the plate: other
    sensors then tell the contact.
    """
    rate, events = plates.signals.rate_hz, settings.events
    sides = list(plates.forces)
    flights = plates.flights(sides, settings)
    found = landings(task, flights, rate, events.landing_peak_bw * weight_n, events)
    values: Values = {}
    seen: dict[tuple[int, str], tuple[float, float | None]] = {}
    limbs = {
        limb: plates.flights([limb], settings)
        for limb in (sides if side == "both" and len(sides) == 2 else [])
    }
    for number, landing in found.items():
        speed = _impact_speed(plates, number, found, task, weight_n, settings)
        lowest = _lowest(plates, landing.contact, speed, weight_n, settings)
        own = _force_values(plates, side, landing.contact, lowest, weight_n, settings)
        own |= _times(landing, rate, task)
        if lowest is not None and speed is not None:
            gross = integral(plates.total, rate, landing.contact, lowest) / weight_n
            spent = (lowest - landing.contact) / rate
            own["net_braking_impulse"] = settings.standard_gravity * (gross - spent)
        values |= {(number, side, metric, "plate"): value for metric, value in own.items()}
        seen[number, side] = _seconds(plates.signals, landing.contact, landing.following)
        reach = events.largest_limb_lag_s * rate
        for limb, flights_of in limbs.items():
            flight = limb_flight(flights_of, landing.contact, reach)
            if flight is None or flight.contact is None:
                continue
            own = _force_values(plates, limb, flight.contact, lowest, weight_n, settings)
            values |= {(number, limb, metric, "plate"): value for metric, value in own.items()}
            after = found.get(number + 1)
            later = limb_flight(flights_of, after.contact, reach) if after else None
            seen[number, limb] = _seconds(
                plates.signals, flight.contact, later.takeoff if later else None
            )
    if found and _partly_beside(plates, max(x.contact for x in found.values()), weight_n, settings):
        seen = {}
    return values, seen


def _partly_beside(
    plates: LoadedPlates, contact: float, weight_n: float, settings: ProcessingSettings
) -> bool:
    rest = _resting(plates, contact, weight_n, settings)
    limit = settings.quality.largest_support_error
    return rest is not None and abs(rest.load_n / weight_n - 1.0) > limit


def _times(landing: Landing, rate_hz: float, task: str) -> dict[str, float]:
    times = {}
    flight = landing.flight.seconds(rate_hz)
    if flight is not None and task in ("countermovement_jump", "drop_vertical_jump"):
        times["flight_time"] = flight
    if landing.following is not None:
        times["contact_time"] = (landing.following - landing.contact) / rate_hz
    return times


def _seconds(
    signals: RawSignals, contact: float, takeoff: float | None
) -> tuple[float, float | None]:
    return signals.seconds(contact), None if takeoff is None else signals.seconds(takeoff)
