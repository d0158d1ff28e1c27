"""Measure all trials of an athlete at a visit together: they share calibration and mounting."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from pipeline.calibration.mirrored import mounting
from pipeline.extraction.accelerometer_values import values_of_reference, values_of_waist
from pipeline.extraction.clocks import by_clock, refuse_across_clocks, waist_on_own_clock
from pipeline.extraction.contacts_apart import (
    Apart,
    contact_lags,
    what_is_apart,
    with_wrong_contacts,
)
from pipeline.extraction.gyro_contacts import contact_either_way, with_gyro_contacts
from pipeline.extraction.knee import Knee, read_knee, rotation_after_contact, segment_channels
from pipeline.extraction.observe import Observed, observe
from pipeline.extraction.saturated import FullScales
from pipeline.extraction.sensor_values import (
    force_peaks,
    values_of_camera,
    values_of_knees,
    values_of_plates,
)
from pipeline.extraction.standing import Standing
from pipeline.extraction.trials import Trial
from pipeline.extraction.values import Value
from shared.settings.processing import ProcessingSettings


@dataclass(frozen=True, slots=True)
class Measurement:
    """A measured trial: its landings, their values, and the knees behind them (for figures).

    What lies on clocks of its own was measured apart: `others`, usually empty.
    """

    observed: Observed
    values: tuple[Value, ...]
    knees: dict[str, Knee]
    others: tuple[Measurement, ...] = ()

    @property
    def by_clock(self) -> tuple[Measurement, ...]:
        """The trial clock by clock, its own first."""
        return (self, *self.others)


def _knees(trial: Trial, standing: Standing) -> dict[str, Knee]:
    knees = {}
    for side in trial.sides:
        signals = trial.with_channels(*segment_channels(side))
        if signals is None:
            continue
        segments = [f"{segment}.{side}" for segment in ("thigh", "shank")]
        found = {x: standing.frame(signals.device, x, trial.session_share) for x in segments}
        frames = {segment: frame for segment, frame in found.items() if frame is not None}
        knee = read_knee(trial, side, frames)
        if knee is not None:
            knees[side] = knee
    return knees


@dataclass(frozen=True, slots=True)
class _Seen:
    """A trial before its visit is known: everything but the values of its knees."""

    observed: Observed
    knees: dict[str, Knee]
    values: tuple[Value, ...]


def _see(
    trial: Trial, standing: Standing, scales: FullScales, settings: ProcessingSettings
) -> _Seen:
    observed = observe(trial, standing.body_weight_n, settings)
    return _look(observed, _knees(trial, standing), standing, scales, settings)


def _look(
    observed: Observed,
    knees: dict[str, Knee],
    standing: Standing,
    scales: FullScales,
    settings: ProcessingSettings,
) -> _Seen:
    values = (
        *values_of_plates(observed, standing, scales, settings),
        *values_of_waist(observed, standing, scales, settings),
        *values_of_reference(observed, standing, scales, settings),
    )
    return _Seen(observed, knees, values)


def _see_by_clock(
    trial: Trial, standing: Standing, scales: FullScales, settings: ProcessingSettings
) -> tuple[_Seen, ...]:
    """Look at a trial clock by clock; contacts may show that a clock is not what it was thought."""
    seen = tuple(_see(part, standing, scales, settings) for part in by_clock(trial))
    first = seen[0].observed
    lags = contact_lags(first)
    wrong = what_is_apart(first, lags, settings)
    if wrong is Apart.NOTHING:
        return seen
    if wrong is Apart.CONTACT:
        flagged = with_wrong_contacts(first, lags, settings)
        return (_look(flagged, seen[0].knees, standing, scales, settings), *seen[1:])
    split = waist_on_own_clock(first)
    if split is None:
        return seen
    rest = tuple(x for part in seen[1:] for x in part.observed.trial.recordings)
    whole = replace(split, recordings=(*split.recordings, *rest))
    return tuple(_see(part, standing, scales, settings) for part in by_clock(whole))


def _mirrored_units(
    visit: Sequence[_Seen], settings: ProcessingSettings
) -> frozenset[tuple[str, str]]:
    """Return the (device, side) whose single-leg landings show a knee that bends backwards.

    Only single-leg landings decide: there the leg that is measured is the leg that lands.
    """
    rotations: dict[tuple[str, str], list[float]] = defaultdict(list)
    for seen in visit:
        side = seen.observed.trial.side
        if side not in seen.knees:
            continue
        landing, knee = seen.observed.chosen[1, side], seen.knees[side]
        contact_s = landing.seconds(landing.contact)
        if contact_s is None:
            contact_s = contact_either_way(knee, settings)
        if contact_s is None:
            continue
        rotation = rotation_after_contact(knee, contact_s, settings.quality.mirrored_window_s)
        if rotation is not None:
            rotations[knee.signals.device, side].append(rotation)
    quality = settings.quality
    return frozenset(
        unit
        for unit, values in rotations.items()
        if mounting(
            values,
            mirrored_share=quality.mirrored_share,
            mirrored_minimum_landings=quality.mirrored_minimum_landings,
            mirrored_smallest_deg=quality.mirrored_smallest_deg,
        ).mirrored
    )


def measure_visit(
    trials: Iterable[Trial],
    standing: Standing,
    scales: FullScales,
    settings: ProcessingSettings,
) -> Iterator[Measurement]:
    """Yield the measured trials of one athlete at one visit.

    Each trial is looked at as soon as it has been read, while its samples are in the processor's
    cache; only the knees wait for the whole visit, which tells how their units are mounted.
    """
    visit = [_see_by_clock(trial, standing, scales, settings) for trial in trials]
    mirrored = _mirrored_units([seen for parts in visit for seen in parts], settings)
    for parts in visit:
        first, *others = _measured(parts, mirrored, standing, scales, settings)
        yield replace(first, others=tuple(others)) if others else first


def _measured(
    parts: tuple[_Seen, ...],
    mirrored: frozenset[tuple[str, str]],
    standing: Standing,
    scales: FullScales,
    settings: ProcessingSettings,
) -> Iterator[Measurement]:
    """Yield the parts of a trial with the values of their knees, clock by clock."""
    turned = [
        {
            side: knee.turned() if (knee.signals.device, side) in mirrored else knee
            for side, knee in seen.knees.items()
        }
        for seen in parts
    ]
    observed = refuse_across_clocks(
        [
            with_gyro_contacts(seen.observed, knees, settings)
            for seen, knees in zip(parts, turned, strict=True)
        ]
    )
    for seen, part, knees in zip(parts, observed, turned, strict=True):
        of_knees = values_of_knees(
            part, knees, mirrored, standing, scales, settings, force_peaks(seen.values)
        )
        values = (*seen.values, *of_knees, *values_of_camera(part, settings))
        yield Measurement(part, values, knees)
