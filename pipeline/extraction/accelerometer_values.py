"""The values of the accelerometers at the waist: the study's unit, and a reference beside it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from pipeline.extraction.calibrated import Calibrated
from pipeline.extraction.contact_lag import CONTACT_LAG, contact_lag
from pipeline.extraction.observe import Observed
from pipeline.extraction.places import WAIST_PLACE
from pipeline.extraction.plate_values import timing_values
from pipeline.extraction.saturated import FullScales, clipped
from pipeline.extraction.sensor_values import judged, wanted
from pipeline.extraction.standing import Standing
from pipeline.extraction.trials import REFERENCE, WAIST
from pipeline.extraction.values import Carrier, SideLanding, Source, Value
from pipeline.extraction.waist import Signal, read_reference
from pipeline.extraction.waist_impact import impact_values, rate_flags
from pipeline.metrics.outcome import Outcome, Refused
from pipeline.reasons import Reason
from shared.metric_dictionary import kind_of_limb
from shared.settings.processing import ProcessingSettings

SENSOR, REFERENCE_SENSOR, REFERENCE_PLACE = "waist", "reference_accelerometer", "reference"

Sources = tuple[Source, ...]


def _upward(place: Calibrated | None) -> Signal | None:
    """Return the direction of gravity's reaction in the frame of a unit, shape (3,)."""
    if place is None:
        return None
    gravity = np.array(place.offset)
    return gravity / np.linalg.norm(gravity)


def _sources(standing: Standing, device: str, place: Calibrated | None, location: str) -> Sources:
    """Return the calibrations that the values of a unit rest on: quiet standing, and the bench."""
    standing_still = (place.source,) if place else ()
    return (*standing_still, *standing.bench_sources(device, location))


def _flags(place: Calibrated | None) -> frozenset[str]:
    return frozenset() if place else frozenset({str(Reason.CALIBRATION_REJECTED)})


def values_of_waist(
    observed: Observed, standing: Standing, scales: FullScales, settings: ProcessingSettings
) -> Iterator[Value]:
    """Yield the values of the waist unit, by its own events."""
    waist, trial = observed.waist, observed.trial
    if waist is None:
        return
    device = waist.signals.device
    place = standing.place(device, WAIST_PLACE)
    upward = _upward(place)
    carrier = Carrier(
        SENSOR,
        waist.signals,
        clipped(waist.signals, list(WAIST), scales, settings),
        _sources(standing, device, place, WAIST_PLACE),
        _flags(place),
    )
    slow = rate_flags(waist, settings)
    for (number, side), landing in observed.waist_landings.items():
        todo = wanted(trial.task, number, SENSOR, kind_of_limb(trial.side, side))
        by_plate = observed.plate_landings.get((number, side))
        if observed.plates is None and not trial.plates_elsewhere:  # a lag needs both sensors
            todo = tuple(metric for metric in todo if metric.id != CONTACT_LAG)
        outcomes: dict[str, Outcome] = {}
        if landing.contact is not None:
            outcomes = timing_values(
                landing,
                waist.signals.rate_hz,
                {metric.id for metric in todo},
                gravity=settings.standard_gravity,
            )
            outcomes |= impact_values(waist, landing.contact, upward, settings)
            outcomes[CONTACT_LAG] = (
                Refused(Reason.SYNC_FAIL, "plate and waist unit do not share their clock")
                if trial.plates_elsewhere
                else contact_lag(landing, by_plate)
            )
        flags = slow | ({CONTACT_LAG: by_plate.flags} if by_plate else {})
        yield from judged(carrier, todo, outcomes, landing, settings, flags)


def _seen(observed: Observed, number: int, side: str) -> SideLanding:
    """Return the landing by the waist unit, which hangs on the same belt, else as chosen."""
    by_waist = observed.waist_landings.get((number, side))
    if by_waist is not None and by_waist.contact is not None:
        return by_waist
    return observed.chosen[number, side]


def values_of_reference(
    observed: Observed, standing: Standing, scales: FullScales, settings: ProcessingSettings
) -> Iterator[Value]:
    """Yield the impact by the reference accelerometer; others, if any, tell when it lands.

    Beside a waist unit it is timed by that unit, so that both are compared over the same window.
    """
    trial = observed.trial
    unit = read_reference(trial, settings.standard_gravity)
    if unit is None:
        return
    device = unit.signals.device
    place = standing.place(device, REFERENCE_PLACE)
    upward = _upward(place)
    carrier = Carrier(
        REFERENCE_SENSOR,
        unit.signals,
        clipped(unit.signals, list(REFERENCE), scales, settings),
        _sources(standing, device, place, REFERENCE_PLACE),
        _flags(place),
    )
    slow = rate_flags(unit, settings)
    for (number, side), chosen in observed.chosen.items():
        todo = wanted(trial.task, number, REFERENCE_SENSOR, kind_of_limb(trial.side, side))
        if not todo:
            continue
        landing = _seen(observed, number, side)
        contact = landing.contact_in(unit.signals)
        outcomes = {} if contact is None else impact_values(unit, contact, upward, settings)
        events = replace(landing, flags=landing.flags | chosen.flags)
        yield from judged(carrier, todo, outcomes, events, settings, slow)
