"""The values of a trial, sensor by sensor: which metrics are wanted, measured, and judged."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import cache

from pipeline.extraction.knee import Knee
from pipeline.extraction.knee_values import FROM_ZERO, camera_values, gyro_values
from pipeline.extraction.knee_zero import knee_zero
from pipeline.extraction.observe import Observed
from pipeline.extraction.places import PLATE
from pipeline.extraction.plate_forces import forces_by_side
from pipeline.extraction.plate_values import (
    between_limbs,
    body_values,
    force_values,
    needs_body_weight,
)
from pipeline.extraction.saturated import FullScales, clipped
from pipeline.extraction.standing import Standing
from pipeline.extraction.tasks import LANDINGS
from pipeline.extraction.values import Carrier, SideLanding, Source, Value, covering
from pipeline.metrics.outcome import Outcome, Refused
from pipeline.reasons import Reason
from shared.metric_dictionary import Metric, kind_of_limb, metrics
from shared.settings.processing import ProcessingSettings

AT_FORCE_PEAK = "knee_flexion_at_peak_vgrf"
"""The one knee metric that needs a plate; without one in the trial it is not wanted."""

_NO_LIMB_FORCE = Refused(
    Reason.NO_LIMB_FORCE, "one plate carries both limbs: this limb has no force of its own"
)
_NO_PLATE_EVENTS = Refused(
    Reason.NO_PLATE_EVENTS,
    "the plate has not seen this landing, or not the whole foot: the instant of its peak force is "
    "not known",
)
_OTHER_CLOCK = Refused(Reason.SYNC_FAIL, "plate and gyroscopes do not share their clock")


@cache
def wanted(task: str, number: int, sensor: str, kind: str) -> tuple[Metric, ...]:
    """Return the metrics that the dictionary allows.

    Parameters
    ----------
    kind
        `single` (tested limb of a single-leg task), `each` (a limb of a two-leg task) or `both`.
    """
    return tuple(
        metric for metric in metrics().values() if metric.valid_for_limb(task, number, sensor, kind)
    )


def _refusal(landing: SideLanding) -> Refused:
    reasons = (Reason.SYNC_FAIL, Reason.NO_FLIGHT, Reason.SHORT_RECORDING)
    known = [reason for reason in reasons if str(reason) in landing.flags]
    return Refused((known or [Reason.NO_LANDING])[0], "the landing was not found")


def judged(
    carrier: Carrier,
    metrics_wanted: tuple[Metric, ...],
    outcomes: Mapping[str, Outcome],
    events: SideLanding,
    settings: ProcessingSettings,
    flags: Mapping[str, frozenset[str]] | None = None,
) -> Iterator[Value]:
    """Yield the wanted metrics of a landing, judged; what was not measured is refused."""
    return carrier.judged(
        metrics_wanted, outcomes, _refusal(events), events, settings.quality, flags or {}
    )


def values_of_plates(
    observed: Observed, standing: Standing, scales: FullScales, settings: ProcessingSettings
) -> Iterator[Value]:
    """Yield the values of the force plates."""
    plates, trial = observed.plates, observed.trial
    if plates is None:
        return
    landings, rate_hz = observed.plate_landings, plates.signals.rate_hz
    forces = forces_by_side(plates, trial.side, list(landings.values()), settings)
    channels = [f"vertical_force.{side}" for side in plates.sides]
    weighed = standing.weighed
    carrier = Carrier(
        PLATE,
        plates.signals,
        clipped(plates.signals, channels, scales, settings),
        (weighed.source,) if weighed else (),
        standing.plate_flags(plates.signals.device),
    )
    by_scale = frozenset() if weighed else frozenset({str(Reason.BODY_WEIGHT_FROM_SCALE)})
    scale = {"body_weight_n": standing.body_weight_n, "settings": settings}
    for (number, side), landing in landings.items():
        todo = wanted(trial.task, number, PLATE, kind_of_limb(trial.side, side))
        names = frozenset(metric.id for metric in todo)
        outcomes: dict[str, Outcome] = {}
        if landing.contact is not None and "peak_vgrf" in names:
            outcomes = force_values(forces[side], landing, rate_hz, **scale)
        if side == trial.side:
            outcomes |= body_values(plates, observed.body, number, names, **scale)
        elif landing.contact is not None:
            other = landings[number, "left" if side == "right" else "right"]
            whole = landings[number, trial.side]
            outcomes |= between_limbs(landing, other, whole, forces, rate_hz)
        scaled = {m.id: by_scale for m in todo if needs_body_weight(m)} if by_scale else None
        yield from judged(carrier, todo, outcomes, landing, settings, scaled)


def _sync_flags(
    observed: Observed, landing: SideLanding, device: str, largest_difference_s: float
) -> frozenset[str]:
    """Compare the clocks of plates and wearables by the contact that both have seen.

    A contact that was found wrong says nothing of the clocks.
    """
    other = observed.waist_landings.get((landing.number, observed.trial.side))
    if (
        landing.event_source != "plate"
        or other is None
        or other.signals is None
        or other.signals.device != device
        or other.contact is None
        or landing.contact is None
        or str(Reason.CONTACT_MISMATCH) in other.flags
    ):
        return frozenset()
    lag = (other.seconds(other.contact) or 0.0) - (landing.seconds(landing.contact) or 0.0)
    return frozenset({str(Reason.SYNC_FAIL)}) if abs(lag) > largest_difference_s else frozenset()


def _knee_sources(standing: Standing, device: str, side: str) -> tuple[Source, ...]:
    """Return the stretch of the standing recording that gave both biases; () if one is missing."""
    found = [standing.place(device, f"{segment}.{side}") for segment in ("thigh", "shank")]
    sources = [place.source for place in found if place is not None]
    return (covering(sources),) if len(sources) == len(found) else ()


def values_of_knees(
    observed: Observed,
    knees: Mapping[str, Knee],
    mirrored: frozenset[tuple[str, str]],
    standing: Standing,
    scales: FullScales,
    settings: ProcessingSettings,
    force_peaks: Mapping[tuple[int, str], float | Refused],
) -> Iterator[Value]:
    """Yield the values of the gyroscopes.

    Parameters
    ----------
    mirrored
        The (device, side) whose units were turned.
    force_peaks
        From the function of this name.
    """
    trial = observed.trial
    for side, knee in knees.items():
        device = knee.signals.device
        sources = _knee_sources(standing, device, side)
        known = set[str]() if sources else {str(Reason.CALIBRATION_REJECTED)}
        known |= standing.gyro_flags(device, side)
        if (device, side) in mirrored or standing.mirrored(device, side):
            known |= {str(Reason.MIRRORED_SENSOR)}
        carrier = Carrier(
            "gyro",
            knee.signals,
            clipped(
                knee.signals,
                [name for name in standing.rate_channels(device, side) if knee.signals.has(name)],
                scales,
                settings,
            ),
            (*sources, *standing.further_sources(device, side)),
            frozenset(known),
        )
        zero = knee_zero(standing, side, settings)
        from_zero = zero.carrier(carrier)
        for number in range(1, LANDINGS[trial.task] + 1):
            todo = wanted(trial.task, number, "gyro", kind_of_limb(trial.side, side))
            landing = observed.chosen[number, side]
            contact = landing.contact_in(knee.signals)
            outcomes: dict[str, Outcome] = {}
            flags: dict[str, frozenset[str]] = {}
            if todo and contact is not None:
                until = landing.takeoff_after_contact_in(knee.signals)
                peak_s = _force_peak(observed, landing, force_peaks)
                peak = peak_s if isinstance(peak_s, Refused) else knee.signals.position(peak_s)
                outcomes, flags = gyro_values(knee, contact, until, peak, settings)
                late = _sync_flags(
                    observed, landing, device, settings.quality.largest_clock_difference_s
                )
                flags = {m.id: flags.get(m.id, frozenset()) | late for m in todo}
                outcomes = zero.counted(outcomes)
            by_zero, others = _parted(todo)
            yield from judged(carrier, others, outcomes, landing, settings, flags)
            yield from judged(from_zero, by_zero, outcomes, landing, settings, flags)
            at_peak = tuple(metric for metric in todo if metric.id == AT_FORCE_PEAK)
            if at_peak and (observed.plates is not None or trial.plates_elsewhere):
                events = _until_force_peak(landing, _force_peak(observed, landing, force_peaks))
                yield from judged(from_zero, at_peak, outcomes, events, settings, flags)


def _parted(todo: Iterable[Metric]) -> tuple[tuple[Metric, ...], tuple[Metric, ...]]:
    """Part the metrics of a landing in angles that count from the zero, and others.

    The angle at the peak of the force has events of its own and is in neither.
    """
    by_zero = tuple(m for m in todo if m.id in FROM_ZERO and m.id != AT_FORCE_PEAK)
    return by_zero, tuple(m for m in todo if m.id not in FROM_ZERO)


def _until_force_peak(landing: SideLanding, peak_s: float | Refused) -> SideLanding:
    """Return the landing with the peak of its force as its last event: the plate's part."""
    if isinstance(peak_s, Refused) or landing.signals is None:
        return landing
    return replace(landing, takeoff=landing.signals.position(peak_s))


def force_peaks(plates: Iterable[Value]) -> dict[tuple[int, str], float | Refused]:
    """Return when each limb's force has its peak, in s on the trial's clock, by (number, side).

    Landings whose contact the plate has not seen are left out; a peak that cannot be told in one
    that was seen is there with its reason.
    """
    peaks: dict[tuple[int, str], float | Refused] = {}
    for value in plates:
        if value.metric != "time_to_peak_vgrf":
            continue
        contact_s, outcome = value.events.seconds(value.events.contact), value.outcome
        if contact_s is not None:
            peaks[value.number, value.side] = (
                outcome if isinstance(outcome, Refused) else contact_s + outcome.value / 1000.0
            )
    return peaks


def _force_peak(
    observed: Observed, landing: SideLanding, peaks: Mapping[tuple[int, str], float | Refused]
) -> float | Refused:
    """Return when this limb's force has its peak, in s on the trial's clock, or why none is known.

    A plate that does not give the events does not give the instant of its peak.
    """
    if observed.trial.plates_elsewhere:
        return _OTHER_CLOCK
    if observed.trial.side == "both" and observed.plates and not observed.plates.per_limb:
        return _NO_LIMB_FORCE
    if landing.event_source != PLATE:
        return _NO_PLATE_EVENTS
    return peaks.get((landing.number, landing.side), _NO_PLATE_EVENTS)


def values_of_camera(observed: Observed, settings: ProcessingSettings) -> Iterator[Value]:
    """Yield the values of the camera."""
    trial = observed.trial
    for side in trial.sides:
        signals = trial.with_channels(f"knee_flexion.{side}")
        if signals is None:
            continue
        carrier = Carrier("camera", signals, None)
        for number in range(1, LANDINGS[trial.task] + 1):
            todo = wanted(trial.task, number, "camera", kind_of_limb(trial.side, side))
            landing = observed.chosen[number, side]
            contact = landing.contact_in(signals)
            outcomes: dict[str, Outcome] = {}
            if todo and contact is not None:
                until = landing.takeoff_after_contact_in(signals)
                outcomes = camera_values(signals, side, contact, until, settings)
            yield from judged(carrier, todo, outcomes, landing, settings)
