"""What the sensors of a trial have seen: landings by each of them, and which events to use."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pipeline.extraction.knee import segment_channels
from pipeline.extraction.plate_landings import BodyOnPlates, body_landings, limb_landings
from pipeline.extraction.plates import Plates, read_plates
from pipeline.extraction.tasks import LANDINGS, seen_by_body_worn_units
from pipeline.extraction.trials import Trial
from pipeline.extraction.values import SideLanding
from pipeline.extraction.waist import Waist, read_reference, read_waist, waist_landings
from pipeline.reasons import OF_PERFORMANCE, Reason
from shared.settings.processing import ProcessingSettings

Landings = dict[tuple[int, str], SideLanding]
"""Landings by number and side."""


@dataclass(frozen=True, slots=True)
class Observed:
    """What the plates and the waist unit of a trial have seen.

    Parameters
    ----------
    body : the whole body as the plates have seen it
    plate, waist : landings by (number, side), from each sensor's own events
    chosen : the landings of the trial: by the plates where they are to be trusted, else by the
        waist unit, else by a reference accelerometer; see `gyro_contacts` for what none has seen
    """

    trial: Trial
    plates: Plates | None
    body: BodyOnPlates
    waist: Waist | None
    plate_landings: Landings
    waist_landings: Landings
    chosen: Landings


def _plate_landings(
    plates: Plates, trial: Trial, body: BodyOnPlates, settings: ProcessingSettings
) -> Landings:
    landings = {(number, trial.side): landing for number, landing in body.landings.items()}
    if trial.side == "both" and plates.per_limb:
        for side in plates.sides:
            limb = limb_landings(plates, side, body, settings)
            landings |= {(number, side): landing for number, landing in limb.items()}
    return landings


def _worn_landings(unit: Waist | None, trial: Trial, settings: ProcessingSettings) -> Landings:
    if unit is None or not seen_by_body_worn_units(trial.task):
        return {}
    landings = waist_landings(unit, trial, settings)
    return {(number, trial.side): landing for number, landing in landings.items()}


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
    plate: Landings,
    waist: Landings,
    reference: Landings,
) -> Landings:
    """Choose the events of each landing, and give every limb with a sensor a landing."""
    chosen = {}
    for number in range(1, LANDINGS[trial.task] + 1):
        key = (number, trial.side)
        nothing = SideLanding(
            number, trial.side, "none", None, flags=frozenset({str(Reason.NO_LANDING)})
        )
        candidates = [landings[key] for landings in (plate, waist, reference) if key in landings]
        found = [landing for landing in candidates if landing.contact is not None]
        whole = [x for x in found if str(Reason.INCOMPLETE_PLATE) not in x.flags]
        body = (
            whole or found or [replace(x, event_source="none") for x in candidates[:1]] or [nothing]
        )[0]
        # A plate that does not give the events has still seen what the athlete did.
        if key in plate and (seen := OF_PERFORMANCE & plate[key].flags):
            body = replace(body, flags=body.flags | seen)
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
    body = body_landings(plates, trial, body_weight_n, settings) if plates else BodyOnPlates()
    by_plate = _plate_landings(plates, trial, body, settings) if plates else {}
    by_waist = _worn_landings(waist, trial, settings)
    found = [x for x in (*by_plate.values(), *by_waist.values()) if x.contact is not None]
    all_seen = len({x.number for x in found if x.side == trial.side}) == LANDINGS[trial.task]
    reference = None if all_seen else read_reference(trial, settings.standard_gravity)
    by_reference = _worn_landings(reference, trial, settings)
    chosen = _choose(trial, by_plate, by_waist, by_reference)
    return Observed(trial, plates, body, waist, by_plate, by_waist, chosen)
