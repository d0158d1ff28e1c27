"""Values of the whole body on the plates: take-off, speed at contact, way down, stability."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.calibration.body_weight import quiet_stance
from pipeline.calibration.stillness import Window
from pipeline.events.onset import movement_onset
from pipeline.extraction.plate_landings import (
    FINAL_STANCE,
    FLIGHT_TIME,
    FOLLOWING_JUMP,
    BodyOnPlates,
    Impact,
    Rest,
)
from pipeline.extraction.plates import Plates
from pipeline.extraction.values import SideLanding
from pipeline.metrics.centre_of_mass import (
    displacement,
    force_displacement_correlation,
    negative_work,
    net_braking_impulse,
    time_to_lowest_point,
    vertical_stiffness,
)
from pipeline.metrics.jump import (
    height_over_time,
    jump_height_from_final_stance,
    jump_height_from_flight_time,
    jump_height_from_impulse,
    time_between,
)
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.metrics.stability import time_to_stabilisation
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

Outcomes = dict[str, Outcome]

_NO_TAKEOFF = Refused(Reason.NO_FLIGHT, "the take-off was not found")
_NO_REST = Refused(Reason.NO_QUIET_STANCE, "the athlete does not come to rest after the landing")
_FROM_STANDING = ("jump_height_from_impulse", "time_to_takeoff", "modified_reactive_strength_index")
_ON_THE_WAY_DOWN = (
    "time_to_lowest_point",
    "net_braking_impulse",
    "centre_of_mass_displacement",
    "force_displacement_correlation",
    "vertical_stiffness",
    "negative_work",
)


@dataclass(frozen=True, slots=True)
class _Start:
    """The quiet stance before a jump, the body weight in it, and where the movement begins."""

    stance: Window
    weight_n: float
    onset: float


def _start(plates: Plates, takeoff: int, settings: ProcessingSettings) -> _Start | Refused:
    rate_hz = plates.signals.rate_hz
    stance = quiet_stance(
        plates.total,
        rate_hz,
        window_s=settings.events.quiet_window_s,
        smallest_load_n=settings.calibration.smallest_body_weight_n,
        end_sample=takeoff,
    )
    if stance is None:
        return Refused(Reason.NO_QUIET_STANCE, "nobody stands still before the jump")
    still = plates.total[stance.samples]
    weight, spread = float(still.mean()), float(still.std())
    if spread > settings.calibration.force_spread_share * weight:
        return Refused(
            Reason.NO_QUIET_STANCE,
            f"the force before the jump varies by {spread / weight:.1%} of body weight",
        )
    onset = movement_onset(
        plates.total,
        rate_hz,
        stance=stance,
        end_sample=takeoff,
        onset_sd=settings.events.onset_sd,
        onset_lead_s=settings.events.onset_lead_s,
        onset_hold_s=settings.events.onset_hold_s,
    )
    if onset is None:
        return Refused(Reason.NO_QUIET_STANCE, "no movement onset between stance and take-off")
    return _Start(stance, weight, onset.position)


def jump_from_standing(
    plates: Plates, landing: SideLanding, settings: ProcessingSettings
) -> Outcomes:
    """Return height by impulse, time to take-off and their quotient, of a jump from standing.

    Body weight is that of the stance before the jump: weighing in the same recording cancels the
    gain of the plate. Source: Owen et al. 2014.
    """
    if landing.takeoff is None:
        return dict.fromkeys(_FROM_STANDING, _NO_TAKEOFF)
    start = _start(plates, math.floor(landing.takeoff), settings)
    if isinstance(start, Refused):
        return dict.fromkeys(_FROM_STANDING, start)
    rate_hz = plates.signals.rate_hz
    height = jump_height_from_impulse(
        plates.total,
        rate_hz,
        onset=start.onset,
        takeoff=landing.takeoff,
        body_weight_n=start.weight_n,
        gravity=settings.standard_gravity,
    )
    if isinstance(height, Measured):
        height = height._replace(first_sample=start.stance.first_sample)
    duration = time_between(start.onset, landing.takeoff, rate_hz)
    duration = duration._replace(first_sample=start.stance.first_sample)
    return dict(
        zip(_FROM_STANDING, (height, duration, height_over_time(height, duration)), strict=True)
    )


def rebound(
    contact_time: Outcome, following: SideLanding | None, rate_hz: float, *, gravity: float
) -> Outcome:
    """Return the reactive strength index of a drop jump: height by flight time over contact time.

    Parameters
    ----------
    following
        The landing after the jump, with its take-off.
    """
    if following is None or following.contact is None or following.takeoff is None:
        return Refused(Reason.NO_FLIGHT, "no jump follows the contact")
    flight = time_between(following.takeoff, following.contact, rate_hz)
    return height_over_time(jump_height_from_flight_time(flight, gravity=gravity), contact_time)


def _height_back_from_rest(
    plates: Plates,
    landing: SideLanding,
    rest: Rest | None,
    gravity: float,
) -> Outcome:
    if landing.takeoff is None or landing.contact is None:
        return _NO_TAKEOFF
    if rest is None:
        return _NO_REST
    return jump_height_from_final_stance(
        plates.total,
        plates.signals.rate_hz,
        takeoff=landing.takeoff,
        contact=landing.contact,
        stance_position=rest.position,
        body_weight_n=rest.weight_n,
        gravity=gravity,
    )


def _speeds(
    landing: SideLanding, following: SideLanding | None, impact: Impact, rest: Rest | None
) -> Outcomes:
    """Return the speeds at contact, by where they come from, and how far two of them differ."""
    contact = landing.contact if landing.contact is not None else 0.0
    first = math.floor(contact if landing.takeoff is None else min(landing.takeoff, contact))
    last = rest.window.last_sample if rest is not None else math.ceil(contact)
    jump_end = contact if following is None or following.contact is None else following.contact
    missing = {
        FINAL_STANCE: _NO_REST,
        FLIGHT_TIME: _NO_TAKEOFF,
        FOLLOWING_JUMP: Refused(Reason.NO_FLIGHT, "no jump follows the contact"),
    }
    samples = {
        FINAL_STANCE: (math.floor(contact), last),
        FLIGHT_TIME: (first, math.ceil(contact)),
        FOLLOWING_JUMP: (math.floor(contact), math.ceil(jump_end)),
    }
    values: Outcomes = {
        f"impact_speed_from_{source}": Measured(impact.speeds[source], *samples[source])
        if source in impact.speeds
        else refusal
        for source, refusal in missing.items()
    }
    both = first, last
    mismatch = impact.mismatch_m_s
    values["impact_speed_mismatch"] = _NO_REST if mismatch is None else Measured(mismatch, *both)
    share = impact.fall_time_share
    values["fall_time_share"] = (
        Refused(Reason.NO_IMPACT_SPEED, "no speed at contact, or no box height, is known")
        if share is None
        else Measured(100.0 * share, math.floor(contact), max(last, math.ceil(jump_end)))
    )
    return values


def _way_down(
    impact: Impact, rate_hz: float, body_weight_n: float, settings: ProcessingSettings
) -> Outcomes:
    way, gravity = impact.descent, settings.standard_gravity
    if way is None:
        refusal = Refused(
            Reason.NO_IMPACT_SPEED,
            "the centre of mass was not seen to stop, or its speed at contact is not known",
        )
        return dict.fromkeys((*_ON_THE_WAY_DOWN, "negative_work_mismatch"), refusal)
    work = negative_work(way, rate_hz, body_weight_n=body_weight_n, gravity=gravity)
    depth, likeness = displacement(way), force_displacement_correlation(way)
    values: Outcomes = dict(
        zip(
            _ON_THE_WAY_DOWN,
            (
                time_to_lowest_point(way, rate_hz),
                net_braking_impulse(way, rate_hz, body_weight_n=body_weight_n, gravity=gravity),
                depth,
                likeness,
                vertical_stiffness(
                    way,
                    likeness.value,
                    smallest_correlation=settings.metric_limits.stiffness_correlation,
                ),
                work,
            ),
            strict=True,
        )
    )
    other = impact.speeds.get(FINAL_STANCE)
    values["negative_work_mismatch"] = (
        _NO_REST
        if other is None
        else work._replace(value=work.value - 0.5 * other**2 - gravity * depth.value)
    )
    return values


def motion_values(
    plates: Plates,
    body: BodyOnPlates,
    number: int,
    names: frozenset[str],
    *,
    body_weight_n: float,
    settings: ProcessingSettings,
) -> Outcomes:
    """Return what the plates tell of the centre of mass at a landing whose contact was seen.

    Parameters
    ----------
    names
        The metrics that are wanted; what is dear is spared when it is not.
    """
    landing, impact = body.landings[number], body.impacts[number]
    following = body.landings.get(number + 1)
    rate_hz, windows = plates.signals.rate_hz, settings.windows
    if landing.contact is None:
        raise ValueError("the landing has no contact")
    values = _speeds(landing, following, impact, body.rest)
    values |= _way_down(impact, rate_hz, body_weight_n, settings)
    if following is not None and impact.chosen != FOLLOWING_JUMP:
        # Without its jump a drop jump's first landing has only the speed of another definition.
        refusal = Refused(Reason.NO_FLIGHT, "no jump follows the contact")
        values |= dict.fromkeys(_ON_THE_WAY_DOWN, refusal)
    if "jump_height_from_final_stance" in names:
        values["jump_height_from_final_stance"] = _height_back_from_rest(
            plates, landing, body.rest, settings.standard_gravity
        )
    if "time_to_stabilisation" in names:
        values["time_to_stabilisation"] = time_to_stabilisation(
            plates.total,
            rate_hz,
            contact=landing.contact,
            body_weight_n=body_weight_n,
            band_share=settings.metric_limits.stabilisation_band_share,
            hold_s=windows.stabilisation_hold_s,
            trial_s=windows.stabilisation_trial_s,
        )
    return values
