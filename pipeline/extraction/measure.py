"""Measure one trial: from its prepared signals to landings and values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache

from pipeline.extraction.knee import Knee, camera_values, gyro_values, segment_channels
from pipeline.extraction.plate_landings import Found, body_landings, limb_landings
from pipeline.extraction.plate_values import (
    filtered_forces,
    force_values,
    height_from_impulse,
    timing_values,
)
from pipeline.extraction.plates import Plates, read_plates
from pipeline.extraction.standing import PLATE, WAIST_PLACE, Standing
from pipeline.extraction.tasks import LANDINGS
from pipeline.extraction.trials import WAIST, Trial
from pipeline.extraction.values import Carrier, SideLanding, Source, Value
from pipeline.extraction.waist import Waist, peak_acceleration, read_waist, waist_landings
from pipeline.metrics.outcome import Outcome, Refused
from pipeline.quality.windows import saturation
from pipeline.reasons import Reason
from shared.metric_dictionary import Metric, metrics
from shared.settings.processing import ProcessingSettings

LARGEST_CLOCK_DIFFERENCE_S = 0.100
"""Contact by waist follows that by plate by some 10 ms; a larger difference means that the two
recordings do not share their clock: common practice, no source."""

FullScales = Mapping[str, Mapping[str, float]]
"""Device -> channel -> full scale in SI units; infinite where clipping is not looked for."""


@dataclass(frozen=True, slots=True)
class Observed:
    """What the plates and the waist unit of a trial have seen.

    Parameters
    ----------
    plate, waist : landings by (number, side), from each sensor's own events
    chosen : the landings of the trial: by the plates where they are to be trusted, else by waist
    """

    trial: Trial
    plates: Plates | None
    waist: Waist | None
    plate_landings: dict[tuple[int, str], SideLanding]
    waist_landings: dict[tuple[int, str], SideLanding]
    chosen: dict[tuple[int, str], SideLanding]


@cache
def wanted(task: str, number: int, sensor: str, kind: str) -> tuple[Metric, ...]:
    """Return the metrics that the dictionary allows.

    Parameters
    ----------
    kind
        `single` (tested limb of a single-leg task), `each` (a limb of a two-leg task) or `both`.
    """
    return tuple(
        metric
        for metric in metrics().values()
        if metric.valid_for(task, number, sensor) and kind in metric.limbs.get(sensor, ())
    )


def kind_of(trial: Trial, side: str) -> str:
    """Return the dictionary's word for a side of a trial."""
    if trial.side != "both":
        return "single"
    return "both" if side == "both" else "each"


def _plate_landings(
    plates: Plates, trial: Trial, body_weight_n: float, settings: ProcessingSettings
) -> dict[tuple[int, str], SideLanding]:
    found: Found
    body, found = body_landings(
        plates, trial.task, trial.side, body_weight_n=body_weight_n, settings=settings
    )
    landings = {(number, trial.side): landing for number, landing in body.items()}
    if trial.side == "both" and plates.per_limb:
        for side in plates.sides:
            limb = limb_landings(plates, side, body, found, settings)
            landings |= {(number, side): landing for number, landing in limb.items()}
    return landings


def _limbs_seen(trial: Trial) -> tuple[str, ...]:
    """Return the limbs that have a sensor of their own in a two-leg trial."""
    if trial.side != "both":
        return ()
    return tuple(
        side
        for side in trial.sides
        if trial.with_channels(*segment_channels(side))
        or trial.with_channels(f"knee_flexion.{side}")
        or trial.with_channels("vertical_force.left", "vertical_force.right")
    )


def _choose(
    trial: Trial,
    plate: dict[tuple[int, str], SideLanding],
    waist: dict[tuple[int, str], SideLanding],
) -> dict[tuple[int, str], SideLanding]:
    """Choose the events of each landing, and give every limb with a sensor a landing."""
    chosen = {}
    for number in range(1, LANDINGS[trial.task] + 1):
        key = (number, trial.side)
        nothing = SideLanding(
            number, trial.side, "none", None, flags=frozenset({str(Reason.NO_LANDING)})
        )
        candidates = [landings[key] for landings in (plate, waist) if key in landings]
        found = [landing for landing in candidates if landing.contact is not None]
        whole = [x for x in found if str(Reason.INCOMPLETE_PLATE) not in x.flags]
        body = (
            whole or found or [replace(x, event_source="none") for x in candidates[:1]] or [nothing]
        )[0]
        chosen[key] = body
        for side in _limbs_seen(trial):
            limb = plate.get((number, side)) if body.event_source == "plate" else None
            usable = limb is not None and limb.contact is not None
            chosen[number, side] = limb if limb and usable else replace(body, side=side)
    return chosen


def observe(trial: Trial, body_weight_n: float, settings: ProcessingSettings) -> Observed:
    """Find the landings of a trial by every sensor that can tell, and choose the events to use."""
    plates = read_plates(trial, settings.events)
    waist = read_waist(trial, settings.standard_gravity)
    by_plate = _plate_landings(plates, trial, body_weight_n, settings) if plates else {}
    by_waist = (
        {
            (number, trial.side): landing
            for number, landing in waist_landings(waist, trial.task, trial.side, settings).items()
        }
        if waist
        else {}
    )
    return Observed(trial, plates, waist, by_plate, by_waist, _choose(trial, by_plate, by_waist))


def _refusal(landing: SideLanding) -> Refused:
    reason = Reason.NO_FLIGHT if str(Reason.NO_FLIGHT) in landing.flags else Reason.NO_LANDING
    return Refused(reason, "the landing was not found")


def _values(
    carrier: Carrier,
    metrics_wanted: tuple[Metric, ...],
    outcomes: Mapping[str, Outcome],
    events: SideLanding,
    settings: ProcessingSettings,
    flags: Mapping[str, frozenset[str]] | None = None,
) -> Iterator[Value]:
    nothing = _refusal(events)
    for metric in metrics_wanted:
        yield carrier.value(
            metric,
            outcomes.get(metric.id, nothing),
            events,
            maximum_gap_samples=settings.quality.maximum_gap_samples,
            flags=(flags or {}).get(metric.id, frozenset()),
        )


def plate_values(
    observed: Observed, standing: Standing, scales: FullScales, settings: ProcessingSettings
) -> Iterator[Value]:
    """Yield the values of the force plates."""
    plates, trial = observed.plates, observed.trial
    if plates is None:
        return
    smooth = filtered_forces(plates, list(observed.plate_landings.values()), settings)
    channels = [f"vertical_force.{side}" for side in plates.sides]
    weighed = standing.weighed
    carrier = Carrier(
        PLATE,
        plates.signals,
        _clipped(plates.signals, channels, scales, settings),
        (weighed.source,) if weighed else (),
    )
    by_scale = frozenset() if weighed else frozenset({str(Reason.BODY_WEIGHT_FROM_SCALE)})
    for (number, side), landing in observed.plate_landings.items():
        todo = wanted(trial.task, number, PLATE, kind_of(trial, side))
        outcomes: dict[str, Outcome] = {}
        if landing.contact is not None and smooth is not None:
            names = {metric.id for metric in todo}
            one = (
                plates.sides.index(side) if trial.side == "both" and side in plates.sides else None
            )
            raw = plates.total if one is None else plates.forces[one]
            outcomes = force_values(
                raw,
                smooth.sum(axis=0) if one is None else smooth[one],
                landing,
                plates.signals.rate_hz,
                body_weight_n=standing.body_weight_n,
                settings=settings,
            )
            outcomes |= timing_values(
                landing, plates.signals.rate_hz, names, gravity=settings.standard_gravity
            )
            if "jump_height_from_impulse" in names:
                outcomes["jump_height_from_impulse"] = height_from_impulse(
                    plates, landing, settings
                )
        scaled = {m.id: by_scale for m in todo if m.unit.startswith("BW")}
        yield from _values(carrier, todo, outcomes, landing, settings, scaled)


def waist_values(
    observed: Observed, standing: Standing, scales: FullScales, settings: ProcessingSettings
) -> Iterator[Value]:
    """Yield the values of the waist unit, by its own events."""
    waist, trial = observed.waist, observed.trial
    if waist is None:
        return
    place = standing.place(waist.signals.device, WAIST_PLACE)
    carrier = Carrier(
        "waist",
        waist.signals,
        _clipped(waist.signals, list(WAIST), scales, settings),
        (place.source,) if place else (),
        frozenset() if place else frozenset({str(Reason.CALIBRATION_REJECTED)}),
    )
    for (number, side), landing in observed.waist_landings.items():
        todo = wanted(trial.task, number, "waist", kind_of(trial, side))
        outcomes: dict[str, Outcome] = {}
        if landing.contact is not None:
            outcomes = timing_values(
                landing,
                waist.signals.rate_hz,
                {metric.id for metric in todo},
                gravity=settings.standard_gravity,
            )
            outcomes["peak_waist_acceleration"] = peak_acceleration(waist, landing, settings)
        yield from _values(carrier, todo, outcomes, landing, settings)


def _sync_flags(observed: Observed, landing: SideLanding, device: str) -> frozenset[str]:
    """Compare the clocks of plates and wearables by the contact that both have seen."""
    other = observed.waist_landings.get((landing.number, observed.trial.side))
    if (
        landing.event_source != "plate"
        or other is None
        or other.signals is None
        or other.signals.device != device
        or other.contact is None
        or landing.contact is None
    ):
        return frozenset()
    lag = (other.seconds(other.contact) or 0.0) - (landing.seconds(landing.contact) or 0.0)
    return (
        frozenset({str(Reason.SYNC_FAIL)}) if abs(lag) > LARGEST_CLOCK_DIFFERENCE_S else frozenset()
    )


def _knee_sources(standing: Standing, device: str, side: str) -> tuple[Source, ...]:
    """Return the stretch of the standing recording that gave both biases; () if one is missing."""
    found = [standing.place(device, f"{segment}.{side}") for segment in ("thigh", "shank")]
    sources = [place.source for place in found if place is not None]
    if len(sources) < 2:
        return ()
    firsts = [s.first_sample for s in sources if s.first_sample is not None]
    lasts = [s.last_sample for s in sources if s.last_sample is not None]
    return (Source(sources[0].recording_id, min(firsts), max(lasts)),)


def knee_values(
    observed: Observed,
    knees: Mapping[str, Knee],
    mirrored: frozenset[tuple[str, str]],
    standing: Standing,
    scales: FullScales,
    settings: ProcessingSettings,
) -> Iterator[Value]:
    """Yield the values of the gyroscopes; `mirrored` holds the (device, side) to be turned."""
    trial = observed.trial
    for side, knee in knees.items():
        device = knee.signals.device
        sources = _knee_sources(standing, device, side)
        known = set[str]() if sources else {str(Reason.CALIBRATION_REJECTED)}
        if (device, side) in mirrored:
            knee, known = knee.turned(), known | {str(Reason.MIRRORED_SENSOR)}
        carrier = Carrier(
            "gyro",
            knee.signals,
            _clipped(knee.signals, list(segment_channels(side)), scales, settings),
            sources,
            frozenset(known),
        )
        for number in range(1, LANDINGS[trial.task] + 1):
            todo = wanted(trial.task, number, "gyro", kind_of(trial, side))
            landing = observed.chosen[number, side]
            contact = landing.contact_in(knee.signals)
            outcomes: dict[str, Outcome] = {}
            flags: dict[str, frozenset[str]] = {}
            if todo and contact is not None:
                until = landing.takeoff_after_contact_in(knee.signals)
                outcomes, flags = gyro_values(knee, contact, until, settings)
                late = _sync_flags(observed, landing, device)
                flags = {m.id: flags.get(m.id, frozenset()) | late for m in todo}
            yield from _values(carrier, todo, outcomes, landing, settings, flags)


def camera_trial_values(observed: Observed, settings: ProcessingSettings) -> Iterator[Value]:
    """Yield the values of the camera."""
    trial = observed.trial
    for side in trial.sides:
        signals = trial.with_channels(f"knee_flexion.{side}")
        if signals is None:
            continue
        carrier = Carrier("camera", signals, None)
        for number in range(1, LANDINGS[trial.task] + 1):
            todo = wanted(trial.task, number, "camera", kind_of(trial, side))
            landing = observed.chosen[number, side]
            contact = landing.contact_in(signals)
            outcomes: dict[str, Outcome] = {}
            if todo and contact is not None:
                until = landing.takeoff_after_contact_in(signals)
                outcomes = camera_values(signals, side, contact, until, settings)
            yield from _values(carrier, todo, outcomes, landing, settings)


def _clipped(signals, channels, scales: FullScales, settings: ProcessingSettings):  # type: ignore[no-untyped-def]
    return saturation(
        [signals.channels[channel] for channel in channels],
        [scales[signals.device][channel] for channel in channels],
        signals.rate_hz,
        clip_share_of_range=settings.quality.clip_share_of_range,
    )
