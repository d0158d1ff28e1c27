"""All values of one trial by the second path, from its raw files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from analysis.audit.own_calibration import Session
from analysis.audit.own_plates import Values, load_plates, plate_values
from analysis.audit.own_signals import at_common_rate
from analysis.audit.own_wearables import (
    knee_excursion,
    knee_rate,
    waist_axes,
    waist_landings,
    waist_values,
)
from analysis.audit.raw_files import RawSignals, read_signals
from shared.channels import SIDES
from shared.settings.device import DeviceProfile
from shared.settings.processing import ProcessingSettings

METRICS = {
    "peak_vgrf": ("plate",),
    "average_loading_rate": ("plate",),
    "impulse_first_100_ms": ("plate",),
    "impulse_to_lowest_point": ("plate",),
    "net_braking_impulse": ("plate",),
    "flight_time": ("plate", "waist"),
    "contact_time": ("plate", "waist"),
    "peak_waist_acceleration": ("waist",),
    "knee_flexion_excursion": ("gyro",),
}
"""Metrics that are derived a second time, and the sensors that give them."""

_KNEE_TASKS = ("single_leg_drop_landing", "drop_vertical_jump")
_PREFIXES = ("vertical_force.", "waist_acceleration.", "thigh_rate.", "shank_rate.")
Seen = dict[tuple[int, str], tuple[float, float | None]]
"""Contact and take-off (s) by landing number and side."""


def read_trial(
    files: Iterable[tuple[str, Path]], profiles: Mapping[str, DeviceProfile]
) -> dict[str, RawSignals]:
    """Return the raw signals of a trial by device; raises as `read_signals` does."""
    return {
        device: read_signals(path, profiles[device], _PREFIXES)
        for device, path in files
        if any(item.channel.startswith(_PREFIXES) for item in profiles[device].channels)
    }


def _knees(
    signals: RawSignals,
    device: str,
    session: Session,
    task: str,
    side: str,
    seen: Seen,
    settings: ProcessingSettings,
) -> Values:
    values: Values = {}
    for leg in SIDES if side == "both" else (side,):
        axes = {segment: axis for (of, segment), axis in session.axes.items() if of == device}
        gains = {segment: gain for (of, segment), gain in session.gains.items() if of == device}
        knee = knee_rate(signals, leg, axes, gains, settings)
        events = seen.get((1, leg)) or seen.get((1, side))
        if knee is None or events is None:
            continue
        until = events[1] if task == "drop_vertical_jump" else None
        excursion = knee_excursion(*knee, events[0], until, settings)
        if excursion is not None:
            values[1, leg, "knee_flexion_excursion", "gyro"] = excursion
    return values


def trial_values(
    recordings: Mapping[str, RawSignals],
    session: Session,
    task: str,
    side: str,
    settings: ProcessingSettings,
) -> Values:
    """Return values by (landing, side, metric, sensor), in the units of the table `metrics`.

    Events for the knees come from the plates, else from the waist unit.
    """
    values: Values = {}
    by_plate: Seen = {}
    by_waist: Seen = {}
    for device, signals in recordings.items():
        common = settings.filtering.harmonised_rate_hz
        force = {n: s for n, s in signals.channels.items() if n.startswith("vertical_force.")}
        as_read = RawSignals(signals.start_s, signals.rate_hz, force)
        plates = load_plates(at_common_rate(as_read, common.plate), settings)
        if plates is not None:
            plates = replace(plates, recorded=load_plates(as_read, settings))
            own, by_plate = plate_values(plates, task, side, session.weight_n, settings)
            values |= own
        waist = waist_axes(signals, session.accelerometers.get(device), settings)
        if waist is not None:
            found = waist_landings(*waist, task, settings)
            own_values = waist_values(*waist, found, task, settings)
            values |= {(n, side, m, "waist"): value for (n, m), value in own_values.items()}
            for number, landing in found.items():
                after = landing.following
                until = None if after is None else waist[0].seconds(after)
                by_waist[number, side] = waist[0].seconds(landing.contact), until
    if task.startswith(_KNEE_TASKS):
        seen = by_plate or by_waist
        for device, signals in recordings.items():
            values |= _knees(signals, device, session, task, side, seen, settings)
    return values
