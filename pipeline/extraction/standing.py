"""Standing calibration of an athlete at a visit: body weight, gravity at the waist, gyro biases."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from pipeline.calibration.body_weight import body_weight
from pipeline.calibration.standing import standing_bias, standing_gravity
from pipeline.calibration.stillness import Window
from pipeline.events.plate import empty_plate
from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import WAIST
from pipeline.extraction.values import Source
from shared.channels import AXES, SIDES
from shared.settings.processing import ProcessingSettings

PLATE, WAIST_PLACE = "plate", "waist"
SEGMENTS = tuple(f"{segment}.{side}" for side in SIDES for segment in ("thigh", "shank"))


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Result for one place of a device (plate, waist, thigh.left ...).

    Parameters
    ----------
    offset : mean in quiet stance per axis: gravity m/s², bias rad/s; for plates force in N
    spread : standard deviation over the stance, same unit
    window : the stance, in slots of the standing recording
    body_weight_n : plates only
    reason : why it is not accepted; '' when it is
    """

    location: str
    signals: Signals
    offset: tuple[float, ...]
    spread: float | None
    window: Window | None
    body_weight_n: float | None = None
    reason: str = ""

    @property
    def source(self) -> Source:
        """The samples that the calibration used."""
        if self.window is None:
            return Source(self.signals.recording_id, None, None)
        return Source(
            self.signals.recording_id,
            self.signals.raw_sample(self.window.first_sample),
            self.signals.raw_sample(self.window.last_sample),
        )


@dataclass(frozen=True, slots=True)
class Standing:
    """All calibrations of a visit, by device and place, and the body weight to be used."""

    body_weight_n: float
    body_weight_source: str
    places: dict[tuple[str, str], Calibrated] = field(default_factory=dict)

    def place(self, device: str, location: str) -> Calibrated | None:
        """Return an accepted calibration, or None."""
        found = self.places.get((device, location))
        return found if found is not None and not found.reason else None

    @property
    def weighed(self) -> Calibrated | None:
        """The accepted weighing that body weight comes from; None when it is from the scale."""
        if self.body_weight_source != PLATE:
            return None
        return next(
            (c for (_, place), c in self.places.items() if place == PLATE and not c.reason), None
        )


def _refused(location: str, signals: Signals, axes: int, reason: str) -> Calibrated:
    return Calibrated(location, signals, (float("nan"),) * axes, None, None, reason=reason)


def weigh(
    signals: Signals, scale_mass_kg: float | None, settings: ProcessingSettings
) -> Calibrated | None:
    """Weigh the athlete on all plates of a standing recording; None without plates.

    The offset of a plate is removed where the recording shows it empty.
    """
    channels = [name for name in signals.channels if name.startswith("vertical_force.")]
    if not channels:
        return None
    rate_hz = signals.rate_hz
    total = np.zeros(len(signals.channels[channels[0]]))
    for channel in channels:
        force = signals.channels[channel]
        reading = empty_plate(
            force,
            rate_hz,
            force_threshold_n=settings.events.force_threshold_n,
            force_threshold_sd=settings.events.force_threshold_sd,
            empty_window_s=settings.events.empty_window_s,
            largest_offset_n=settings.events.largest_offset_n,
        )
        total += force - (reading.offset_n if reading else 0.0)
    limits = settings.calibration
    weight = body_weight(
        total,
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
        return _refused(PLATE, signals, 1, "nobody stands on the plates")
    return Calibrated(
        PLATE,
        signals,
        (weight.weight_n,),
        weight.spread_n,
        weight.window,
        weight.weight_n,
        weight.reason,
    )


def gravity_at_waist(signals: Signals, settings: ProcessingSettings) -> Calibrated | None:
    """Find gravity in the frame of the waist unit; None without one."""
    if not signals.has(*WAIST):
        return None
    limits = settings.calibration
    try:
        found = standing_gravity(
            signals.stack(list(WAIST)),
            signals.rate_hz,
            window_s=limits.window_s,
            acceleration_spread_g=limits.acceleration_spread_g,
            acceleration_norm_error_g=limits.acceleration_norm_error_g,
            gravity=settings.standard_gravity,
        )
    except ValueError as error:
        return _refused(WAIST_PLACE, signals, 3, str(error))
    gravity = found.direction * found.magnitude_g * settings.standard_gravity
    return Calibrated(
        WAIST_PLACE,
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
        tuple(bias.get(channel, float("nan")) for channel in channels),
        found.spread,
        found.window,
        reason=found.reason,
    )


def calibrate(
    recordings: Iterable[Signals], scale_mass_kg: float, settings: ProcessingSettings
) -> Standing:
    """Calibrate every place of every standing recording of a visit.

    Body weight comes from the first accepted weighing (by device), else from the scale.
    """
    places: dict[tuple[str, str], Calibrated] = {}
    for signals in recordings:
        candidates = [weigh(signals, scale_mass_kg, settings), gravity_at_waist(signals, settings)]
        candidates += [bias_of_segment(signals, segment, settings) for segment in SEGMENTS]
        for found in candidates:
            if found is not None:
                places[signals.device, found.location] = found
    for (_, location), found in places.items():
        if location == PLATE and not found.reason and found.body_weight_n is not None:
            return Standing(found.body_weight_n, PLATE, places)
    return Standing(scale_mass_kg * settings.standard_gravity, "scale", places)
