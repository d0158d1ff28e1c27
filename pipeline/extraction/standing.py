"""All calibrations of an athlete at a visit, and what they say about a recording of that visit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.calibration.accelerometer import Accelerometer
from pipeline.calibration.gyroscope import bias_in_session
from pipeline.calibration.segment_frame import SegmentFrame
from pipeline.extraction.calibrated import Calibrated, Places
from pipeline.extraction.places import PLATE, places_of
from pipeline.extraction.session_end import flexion_axes, with_changes
from pipeline.extraction.signals import Signals
from pipeline.extraction.units import NO_BENCH, Unit
from pipeline.extraction.values import Source
from pipeline.reasons import Reason
from shared.channels import AXES
from shared.settings.processing import ProcessingSettings

_SEGMENTS = ("thigh", "shank")


@dataclass(frozen=True, slots=True)
class Standing:
    """All calibrations of a visit, by device and place, and the body weight to be used.

    Parameters
    ----------
    places : quiet standing at the start of the session
    ends : quiet standing at its end
    axes : flexion axes of the segments
    units : device -> what the bench knows about the unit
    """

    body_weight_n: float
    body_weight_source: str
    places: Places = field(default_factory=dict)
    ends: Places = field(default_factory=dict)
    axes: Places = field(default_factory=dict)
    units: Mapping[str, Unit] = field(default_factory=dict)

    @property
    def everything(self) -> Iterable[Calibrated]:
        """All calibrations of the visit, in a stable order."""
        return (*self.places.values(), *self.ends.values(), *self.axes.values())

    @property
    def accelerometers(self) -> dict[tuple[str, str], Accelerometer]:
        """The accepted bench calibrations by (device, place)."""
        return {
            (device, place): found
            for device, unit in self.units.items()
            for place, found in unit.accelerometers.items()
        }

    def frame(self, device: str, segment: str, session_share: float | None) -> SegmentFrame | None:
        """Return bias, gain and flexion axis of a segment's gyroscope; None without a stance.

        The bias of a rejected calibration is still nearer to the truth than zero: it is used, and
        its values are flagged.
        """
        start = self.places.get((device, segment))
        if start is None or start.window is None:
            return None
        bias, end = np.array(start.offset), self.ends.get((device, segment))
        if end is not None and end.usable:
            bias = bias_in_session(bias, np.array(end.offset), session_share)
        axis = self.axes.get((device, segment))
        known = axis is not None and not axis.reason
        return SegmentFrame(
            bias,
            self.units.get(device, NO_BENCH).gains.get(segment),
            axis.offset if axis is not None and known else None,
        )

    def rate_channels(self, device: str, side: str) -> list[str]:
        """Return the channels that the rates of a leg are made of: z, all three with an axis."""
        channels = []
        for segment in _SEGMENTS:
            axis = self.axes.get((device, f"{segment}.{side}"))
            used = AXES if axis is not None and not axis.reason else AXES[-1:]
            channels += [f"{segment}_rate.{side}.{name}" for name in used]
        return channels

    def gyro_flags(self, device: str, side: str) -> frozenset[str]:
        """Return what flexions and the end of the session say against a leg's gyroscopes."""
        keys = [(device, f"{segment}.{side}") for segment in _SEGMENTS]
        found = [part[key] for part in (self.ends, self.axes) for key in keys if key in part]
        # An end that was not quiet says nothing; the bias of the start stands.
        grave = str(Reason.CALIBRATION_REJECTED)
        return frozenset(item.rule for item in found if item.reason and item.rule != grave)

    def mirrored(self, device: str, side: str) -> bool:
        """Tell whether a flexion axis points against a unit's own: it was mounted mirrored."""
        found = [self.axes.get((device, f"{segment}.{side}")) for segment in _SEGMENTS]
        return any(item is not None and not item.reason and item.offset[2] < 0.0 for item in found)

    def plate_flags(self, device: str) -> frozenset[str]:
        """Return what unloaded plates and known masses say against the plates of a device."""
        flags = {
            item.rule
            for (of, place), item in self.ends.items()
            if of == device and place.startswith(f"{PLATE}.") and item.reason
        }
        if self.units.get(device, NO_BENCH).plates_off:
            flags.add(str(Reason.PLATE_GAIN_ERROR))
        return frozenset(flags)

    def bench_sources(self, device: str, *places: str) -> tuple[Source, ...]:
        """Return the bench calibrations that were applied to values of these places."""
        names = self.units.get(device, NO_BENCH).names
        used = sorted({names[place] for place in places if place in names})
        return tuple(Source(name, None, None) for name in used)

    def further_sources(self, device: str, side: str) -> tuple[Source, ...]:
        """Return what a knee used beside quiet standing: end of the session, flexions, bench."""
        segments = [f"{segment}.{side}" for segment in _SEGMENTS]
        keys = [(device, segment) for segment in segments]
        found = [part[key] for part in (self.ends, self.axes) for key in keys if key in part]
        used = {item.signals.recording_id: item.source for item in found if item.usable}
        return (*used.values(), *self.bench_sources(device, *segments))

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


def calibrate(
    recordings: Iterable[Signals],
    scale_mass_kg: float,
    settings: ProcessingSettings,
    *,
    ends: Iterable[Signals] = (),
    flexions: Iterable[Signals] = (),
    units: Mapping[str, Unit] | None = None,
) -> Standing:
    """Calibrate every place of every calibration recording of a visit.

    Body weight comes from the first accepted weighing (by device), else from the scale.

    Parameters
    ----------
    recordings, ends, flexions
        Quiet standing at the start and at the end of the session; slow knee flexions.
    units
        Device -> what the bench knows about the unit worn.
    """
    units = units or {}
    places = places_of(recordings, scale_mass_kg, units, settings)
    at_end = with_changes(places_of(ends, scale_mass_kg, units, settings), places, settings)
    axes = flexion_axes(flexions, places, units, settings)
    for (_, location), found in places.items():
        if location == PLATE and not found.reason and found.body_weight_n is not None:
            return Standing(found.body_weight_n, PLATE, places, at_end, axes, units)
    weight_n = scale_mass_kg * settings.standard_gravity
    return Standing(weight_n, "scale", places, at_end, axes, units)
