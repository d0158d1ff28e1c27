"""Quiet standing, place by place: weight and zeros of plates, gravity, gyro biases, knee angle."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from pipeline.calibration.body_weight import body_weight
from pipeline.calibration.standing import standing_bias, standing_gravity
from pipeline.calibration.stillness import stillest_window
from pipeline.events.plate import EmptyPlate, empty_plate
from pipeline.extraction.bench_recording import ACCELEROMETERS, SEGMENTS
from pipeline.extraction.calibrated import Calibrated, Places
from pipeline.extraction.signals import Signals
from pipeline.extraction.units import NO_BENCH, Unit
from shared.channels import AXES, SIDES
from shared.settings.processing import ProcessingSettings

PLATE, WAIST_PLACE = "plate", "waist"
_NOT_A_NUMBER = float("nan")


def _refused(location: str, signals: Signals, axes: int, reason: str) -> Calibrated:
    return Calibrated(location, signals, (_NOT_A_NUMBER,) * axes, None, None, reason=reason)


def _empty(force: np.ndarray, rate_hz: float, settings: ProcessingSettings) -> EmptyPlate | None:
    return empty_plate(
        force,
        rate_hz,
        force_threshold_n=settings.events.force_threshold_n,
        force_threshold_sd=settings.events.force_threshold_sd,
        empty_window_s=settings.events.empty_window_s,
        largest_offset_n=settings.events.largest_offset_n,
    )


def weigh(
    signals: Signals, scale_mass_kg: float | None, settings: ProcessingSettings
) -> list[Calibrated]:
    """Weigh the athlete on all plates, and read each unloaded plate; nothing without plates.

    The zero of a plate is removed where the recording shows it empty. With a plate per limb, each
    has its share of the weight in quiet stance.
    """
    channels = [name for name in signals.channels if name.startswith("vertical_force.")]
    if not channels:
        return []
    rate_hz, limits = signals.rate_hz, settings.calibration
    zeros = {name: _empty(signals.channels[name], rate_hz, settings) for name in channels}
    forces = {
        name: signals.channels[name] - (zero.offset_n if zero else 0.0)
        for name, zero in zeros.items()
    }
    weight = body_weight(
        sum(forces.values(), np.zeros(len(signals.channels[channels[0]]))),
        rate_hz,
        window_s=limits.window_s,
        force_spread_share=limits.force_spread_share,
        mass_difference_share=limits.mass_difference_share,
        scale_mass_kg=scale_mass_kg,
        drift_share=limits.force_drift_share,
        smallest_load_n=limits.smallest_body_weight_n,
        gravity=settings.standard_gravity,
    )
    if weight is None:
        total = _refused(PLATE, signals, 1, "nobody stands on the plates")
    else:
        total = Calibrated(
            PLATE,
            signals,
            (weight.weight_n,),
            weight.spread_n,
            weight.window,
            weight.weight_n,
            weight.reason,
        )
    found = [total]
    for name, zero in zeros.items():
        share = None
        if weight is not None and len(channels) > 1:
            share = float(forces[name][weight.window.samples].mean()) / weight.weight_n
        if zero is None and share is None:
            continue
        found.append(
            Calibrated(
                f"{PLATE}.{name.partition('.')[2]}",
                signals,
                (zero.offset_n if zero else _NOT_A_NUMBER,),
                zero.noise_n if zero else None,
                zero.window if zero else None,
                stance_share=share,
            )
        )
    return found


def gravity_at(
    signals: Signals, place: str, unit: Unit, settings: ProcessingSettings
) -> Calibrated | None:
    """Find gravity in the frame of an accelerometer; None without one.

    With an accepted bench calibration the readings are corrected first, and the length of gravity
    must come closer to 1 g.
    """
    channels = list(ACCELEROMETERS[place])
    if not signals.has(*channels):
        return None
    limits, bench = settings.calibration, unit.accelerometers.get(place)
    readings = signals.stack(channels)
    try:
        found = standing_gravity(
            readings if bench is None else bench.corrected(readings),
            signals.rate_hz,
            window_s=limits.window_s,
            acceleration_spread_g=limits.acceleration_spread_g,
            acceleration_norm_error_g=limits.acceleration_norm_error_g
            if bench is None
            else limits.calibrated_norm_error_g,
            gravity=settings.standard_gravity,
        )
    except ValueError as error:
        return _refused(place, signals, 3, str(error))
    gravity = found.direction * found.magnitude_g * settings.standard_gravity
    return Calibrated(
        place,
        signals,
        tuple(gravity.tolist()),
        found.spread_g * settings.standard_gravity,
        found.window,
        reason=found.reason,
    )


def bias_of_segment(
    signals: Signals, segment: str, settings: ProcessingSettings
) -> Calibrated | None:
    """Find the bias of the gyroscope on a segment (thigh.left ...); None without one.

    The x and y axes may be absent; their bias is then empty.
    """
    place, _, side = segment.partition(".")
    channels = [f"{place}_rate.{side}.{axis}" for axis in AXES]
    present = [channel for channel in channels if signals.has(channel)]
    if channels[-1] not in present:
        return None
    limits = settings.calibration
    try:
        found = standing_bias(
            signals.stack(present),
            signals.rate_hz,
            window_s=limits.window_s,
            rate_spread_deg_s=limits.rate_spread_deg_s,
            rate_bias_deg_s=limits.rate_bias_deg_s,
        )
    except ValueError as error:
        return _refused(segment, signals, 3, str(error))
    bias = dict(zip(present, found.bias.tolist(), strict=True))
    return Calibrated(
        segment,
        signals,
        tuple(bias.get(channel, _NOT_A_NUMBER) for channel in channels),
        found.spread,
        found.window,
        reason=found.reason,
        zero_source="standing",
    )


def knee_in_stance(signals: Signals, side: str, settings: ProcessingSettings) -> Calibrated | None:
    """Return the knee angle that a camera measures in quiet standing; None without one.

    It is stored, never removed from the camera's angle: an extension deficit would vanish with it.
    """
    channel = f"knee_flexion.{side}"
    if not signals.has(channel):
        return None
    angle = signals.channels[channel]
    try:
        window = stillest_window(
            angle[None, :], [1.0], signals.rate_hz, window_s=settings.calibration.window_s
        )
    except ValueError as error:
        return _refused(f"knee.{side}", signals, 1, str(error))
    still, limit_deg = angle[window.samples], settings.calibration.knee_spread_deg
    spread_deg = math.degrees(float(still.std()))
    reason = ""
    if spread_deg > limit_deg:
        reason = f"the knee angle varies by {spread_deg:.2f} degrees, limit {limit_deg:g} degrees"
    return Calibrated(
        f"knee.{side}",
        signals,
        (float(still.mean()),),
        float(still.std()),
        window,
        reason=reason,
        zero_source="measured",
    )


def places_of(
    recordings: Iterable[Signals],
    scale_mass_kg: float,
    units: Mapping[str, Unit],
    settings: ProcessingSettings,
) -> Places:
    """Calibrate every place of standing recordings."""
    places: Places = {}
    for signals in recordings:
        unit = units.get(signals.device, NO_BENCH)
        candidates: list[Calibrated | None] = [*weigh(signals, scale_mass_kg, settings)]
        candidates += [gravity_at(signals, place, unit, settings) for place in ACCELEROMETERS]
        candidates += [bias_of_segment(signals, segment, settings) for segment in SEGMENTS]
        candidates += [knee_in_stance(signals, side, settings) for side in SIDES]
        for found in candidates:
            if found is not None:
                known = replace(found, bench=unit.verdict(found.location))
                places[signals.device, found.location] = known
    return places
