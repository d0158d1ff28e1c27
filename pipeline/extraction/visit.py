"""Measure all trials of an athlete at a visit together: they share calibration and mounting."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.calibration.mirrored import mounting
from pipeline.extraction.knee import Knee, read_knee, rotation_after_contact, segment_channels
from pipeline.extraction.observe import Observed, observe
from pipeline.extraction.sensor_values import (
    FullScales,
    values_of_camera,
    values_of_knees,
    values_of_plates,
    values_of_waist,
)
from pipeline.extraction.standing import SEGMENTS, Standing
from pipeline.extraction.trials import Trial
from pipeline.extraction.values import Value
from shared.settings.processing import ProcessingSettings


@dataclass(frozen=True, slots=True)
class Measurement:
    """A measured trial: its landings, their values, and the knees behind them (for figures)."""

    observed: Observed
    values: tuple[Value, ...]
    knees: dict[str, Knee]


def _bias(standing: Standing, device: str) -> dict[str, float]:
    """Return the standing bias of the sagittal rates, also of a rejected calibration.

    A rejected one is still nearer to the truth than zero; its values are flagged anyway.
    """
    bias = {}
    for segment in SEGMENTS:
        place = standing.places.get((device, segment))
        if place is not None and place.window is not None:
            name, _, side = segment.partition(".")
            bias[f"{name}_rate.{side}.z"] = place.offset[2]
    return bias


def _knees(trial: Trial, standing: Standing) -> dict[str, Knee]:
    knees = {}
    for side in trial.sides:
        signals = trial.with_channels(*segment_channels(side))
        if signals is None:
            continue
        knee = read_knee(trial, side, _bias(standing, signals.device))
        if knee is not None:
            knees[side] = knee
    return knees


def mirrored_units(
    observed: Sequence[Observed],
    knees: Sequence[dict[str, Knee]],
    settings: ProcessingSettings,
) -> frozenset[tuple[str, str]]:
    """Return the (device, side) whose single-leg landings show a knee that bends backwards.

    Only single-leg landings decide: there the leg that is measured is the leg that lands.
    """
    rotations: dict[tuple[str, str], list[float]] = defaultdict(list)
    for seen, legs in zip(observed, knees, strict=True):
        if seen.trial.side not in legs:
            continue
        knee = legs[seen.trial.side]
        landing = seen.chosen[1, seen.trial.side]
        contact_s = landing.seconds(landing.contact)
        if contact_s is None:
            continue
        rotation = rotation_after_contact(knee, contact_s)
        if rotation is not None:
            rotations[knee.signals.device, knee.side].append(rotation)
    quality = settings.quality
    return frozenset(
        unit
        for unit, values in rotations.items()
        if mounting(
            values,
            mirrored_share=quality.mirrored_share,
            mirrored_minimum_landings=quality.mirrored_minimum_landings,
        ).mirrored
    )


def measure_visit(
    trials: Sequence[Trial],
    standing: Standing,
    scales: FullScales,
    settings: ProcessingSettings,
) -> list[Measurement]:
    """Measure the trials of one athlete at one visit."""
    observed = [observe(trial, standing.body_weight_n, settings) for trial in trials]
    knees = [_knees(trial, standing) for trial in trials]
    mirrored = mirrored_units(observed, knees, settings)
    results = []
    for seen, legs in zip(observed, knees, strict=True):
        values = (
            *values_of_plates(seen, standing, scales, settings),
            *values_of_waist(seen, standing, scales, settings),
            *values_of_knees(seen, legs, mirrored, standing, scales, settings),
            *values_of_camera(seen, settings),
        )
        upright = {
            side: knee.turned() if (knee.signals.device, side) in mirrored else knee
            for side, knee in legs.items()
        }
        results.append(Measurement(seen, values, upright))
    return results
