"""Waist and knee metrics by the second path: peak waist acceleration, times, knee excursion."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from analysis.audit.own_events import Landing, landings, waist_flights
from analysis.audit.own_signals import at_common_rate, smoothed, stillest
from analysis.audit.raw_files import RawSignals
from shared.channels import AXES
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]


def waist_axes(
    signals: RawSignals, bench: tuple[Signal, Signal] | None, settings: ProcessingSettings
) -> tuple[RawSignals, Signal] | None:
    """Return the specific force at the common rate, m/s², shape (3, samples); None without.

    Parameters
    ----------
    bench
        Scale, shape (3, 3), and bias of the unit where a bench calibration applies.
    """
    names = [f"waist_acceleration.{axis}" for axis in AXES]
    if not all(name in signals.channels for name in names):
        return None
    own = RawSignals(signals.start_s, signals.rate_hz, {n: signals.channels[n] for n in names})
    slower = at_common_rate(own, settings.filtering.harmonised_rate_hz.waist)
    axes = np.stack([slower.channels[name] for name in names])
    if bench is not None:
        scale, bias = bench
        axes = np.linalg.solve(scale, axes - bias[:, None])
    return slower, axes


def waist_landings(
    signals: RawSignals, axes: Signal, task: str, settings: ProcessingSettings
) -> dict[int, Landing]:
    """Return the landings that a waist unit sees, by number; a cut needs a plate."""
    if task == "cut":
        return {}
    size = np.linalg.norm(axes, axis=0) / settings.standard_gravity
    flights = waist_flights(size, signals.rate_hz, settings.events)
    smallest = settings.events.waist_landing_peak_g
    return landings(task, flights, signals.rate_hz, smallest, settings.events)


def waist_values(
    signals: RawSignals,
    axes: Signal,
    found: Mapping[int, Landing],
    task: str,
    settings: ProcessingSettings,
) -> dict[tuple[int, str], float]:
    """Return peak acceleration (g), flight time and contact time (s) by (landing, metric)."""
    rate, filtering = signals.rate_hz, settings.filtering
    smooth = smoothed(axes, rate, filtering.waist_acceleration_hz, filtering.order_per_pass)
    size = np.linalg.norm(smooth, axis=0) / settings.standard_gravity
    values = {}
    for number, landing in found.items():
        last = math.floor(landing.contact + settings.windows.waist_peak_s * rate)
        window = size[math.ceil(landing.contact) : last + 1]
        if len(window) and last < len(size):
            values[number, "peak_waist_acceleration"] = float(window.max())
        flight = landing.flight.seconds(rate)
        if flight is not None and (task, number) in (
            ("countermovement_jump", 1),
            ("drop_vertical_jump", 2),
        ):
            values[number, "flight_time"] = flight
        if landing.following is not None:
            values[number, "contact_time"] = (landing.following - landing.contact) / rate
    return values


def flexion_axis(rates: Signal, rate_hz: float, segment: str) -> tuple[Signal, float, float]:
    """Return the axis of slow flexions from standing, its share of the mean square, and the range.

    Eigenvector of the second-moment matrix. From standing a thigh turns forwards first and a shank
    backwards, which gives the sign. The range is in degrees.

    Parameters
    ----------
    rates
        Shape (3, samples), rad/s, bias and gain removed.
    segment
        thigh or shank.
    """
    sizes, vectors = np.linalg.eigh(rates @ rates.T)
    axis = vectors[:, -1]
    angle = cumulative_trapezoid(axis @ rates, dx=1.0 / rate_hz, initial=0)
    sense = np.sign(angle.mean()) * (1.0 if segment == "thigh" else -1.0)
    return axis * sense, float(sizes[-1] / sizes.sum()), math.degrees(float(np.ptp(angle)))


def _towards(
    rates: RawSignals, segment: str, side: str, axis: Signal | None, gain: Signal
) -> Signal | None:
    """Return the rate of a segment about its flexion axis, or about the z axis of the unit."""
    names = [f"{segment}_rate.{side}.{name}" for name in AXES]
    if axis is not None and all(name in rates.channels for name in names):
        weights = axis / gain
        return weights @ np.stack([rates.channels[name] for name in names])
    z = rates.channels.get(names[-1])
    return None if z is None else z / gain[-1]


def knee_rate(
    signals: RawSignals,
    side: str,
    axes: Mapping[str, Signal],
    gains: Mapping[str, Signal],
    settings: ProcessingSettings,
) -> tuple[RawSignals, Signal] | None:
    """Return the rate of knee flexion, rad/s, its sign and bias open; None without gyroscopes."""
    wanted = (f"thigh_rate.{side}.", f"shank_rate.{side}.")
    own = {name: rate for name, rate in signals.channels.items() if name.startswith(wanted)}
    if not own:
        return None
    common = settings.filtering.harmonised_rate_hz.gyro
    slower = at_common_rate(RawSignals(signals.start_s, signals.rate_hz, own), common)
    parts = []
    for segment in ("thigh", "shank"):
        place = f"{segment}.{side}"
        axis, gain = axes.get(place), gains.get(place, np.ones(3))
        parts.append(_towards(slower, segment, side, axis, gain))
    thigh, shank = parts
    if thigh is None or shank is None:
        return None
    return slower, thigh - shank


def _stance_before(
    rate: Signal, width: int, contact: float, hz: float, settings: ProcessingSettings
) -> tuple[int, int, float] | None:
    """Return the stillest quiet stance shortly before a contact, else the stillest longer before.

    The second search reaches back as far as an angle may be integrated.
    """
    windows = settings.windows
    for reach_s in (windows.standing_before_contact_s, windows.longest_integration_s):
        first = max(math.ceil(contact - reach_s * hz), 0)
        found = stillest(rate, width, first, math.floor(contact))
        if found and found[2] <= math.radians(settings.calibration.rate_spread_deg_s):
            return found
    return None


def knee_excursion(
    signals: RawSignals,
    rate: Signal,
    contact_s: float,
    takeoff_s: float | None,
    settings: ProcessingSettings,
) -> float | None:
    """Return peak flexion minus flexion at contact, degrees; None without a quiet stance before.

    The bias runs straight from the stillest stance before the landing to that after it. A landing
    bends the knee forward, so the sign is that of the turn right after contact.
    """
    windows, hz = settings.windows, signals.rate_hz
    width = round(windows.standing_window_s * hz)
    contact = signals.position(contact_s)
    quiet = math.radians(settings.calibration.rate_spread_deg_s)
    before = _stance_before(rate, width, contact, hz, settings)
    if before is None:
        return None
    after = stillest(
        rate, width, math.ceil(contact + windows.standing_after_contact_s * hz), len(rate)
    )
    levels = [float(rate[before[0] : before[1] + 1].mean())]
    places = [0.5 * (before[0] + before[1])]
    if after is not None and after[2] <= quiet:
        levels.append(float(rate[after[0] : after[1] + 1].mean()))
        places.append(0.5 * (after[0] + after[1]))
    bias = np.full(len(rate), levels[0])
    if len(levels) == 2:
        slope = (levels[1] - levels[0]) / (places[1] - places[0])
        bias = levels[0] + slope * (np.arange(len(rate)) - places[0])
    filtering = settings.filtering
    smooth = smoothed(rate, hz, filtering.angular_rate_hz, filtering.order_per_pass) - bias
    end = contact + windows.knee_flexion_s * hz
    if takeoff_s is not None:
        end = min(end, signals.position(takeoff_s))
    if end > len(rate) - 1:
        return None
    places_after = np.concatenate(([contact], np.arange(math.floor(contact) + 1.0, end)))
    turn = np.interp(places_after, np.arange(len(rate)), smooth)
    angle = cumulative_trapezoid(turn, places_after / hz, initial=0)
    early = angle[places_after <= contact + settings.quality.mirrored_window_s * hz][-1]
    return math.degrees(float((np.sign(early) * angle).max()))
