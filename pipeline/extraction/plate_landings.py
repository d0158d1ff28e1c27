"""Landings seen by force plates: of the whole body, and of each limb on a plate of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.calibration.body_weight import weight_supported
from pipeline.calibration.stillness import Window
from pipeline.events.centre_of_mass import (
    impact_speed_before_jump,
    impact_speed_from_final_stance,
    impact_speed_from_flight,
    lowest_centre_of_mass,
)
from pipeline.events.phases import FlightPhase
from pipeline.events.plate import limb_phase
from pipeline.events.tasks import Landing
from pipeline.extraction.plates import Plates, final_stance
from pipeline.extraction.tasks import ExpectedLanding, landings_of, takeoff_of
from pipeline.extraction.values import SideLanding
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

LANDING_PEAK_BW = 1.2
"""A contact with a smaller peak is a step, not a landing: common practice, no source."""

LARGEST_SUPPORT_ERROR = 0.10
"""Where the force of the final stance is further from body weight than this share, a foot is partly
beside the plate: common practice, no source."""

FINAL_STANCE_SPREAD = 0.05
"""Largest standard deviation of the final stance, as a share of body weight: a person who has just
landed sways more than in the calibration; common practice, no source."""

Found = dict[int, ExpectedLanding]


def _stance(
    plates: Plates, found: Found, body_weight_n: float, settings: ProcessingSettings
) -> Window | None:
    contacts = [item.landing.contact.position for item in found.values() if item.landing]
    return final_stance(
        plates,
        max(contacts, default=0.0),
        body_weight_n=body_weight_n,
        window_s=settings.windows.standing_window_s,
        spread_share=FINAL_STANCE_SPREAD,
    )


def _impact_speed(
    landing: Landing,
    after: Landing | None,
    plates: Plates,
    stance: Window | None,
    body_weight_n: float,
    gravity: float,
) -> float | None:
    """Return the speed at contact: from the jump before, the jump after, or the final stance."""
    rate_hz, contact = plates.signals.rate_hz, landing.contact.position
    before_s = landing.flight.duration_s(rate_hz)
    after_s = after.flight.duration_s(rate_hz) if after else None
    if landing.takeoff is not None and after_s is not None:
        return impact_speed_before_jump(
            plates.total,
            rate_hz,
            contact=contact,
            takeoff=landing.takeoff.position,
            flight_s=after_s,
            body_weight_n=body_weight_n,
            gravity=gravity,
        )
    if before_s is not None:
        return impact_speed_from_flight(before_s, gravity=gravity)
    if stance is None:
        return None
    return impact_speed_from_final_stance(
        plates.total,
        rate_hz,
        contact=contact,
        stance_position=float(stance.first_sample),
        body_weight_n=body_weight_n,
        gravity=gravity,
    )


def _lowest(
    landing: Landing,
    after: Landing | None,
    plates: Plates,
    stance: Window | None,
    body_weight_n: float,
    gravity: float,
) -> float | None:
    speed = _impact_speed(landing, after, plates, stance, body_weight_n, gravity)
    if speed is None or speed <= 0.0:
        return None
    event = lowest_centre_of_mass(
        plates.total,
        plates.signals.rate_hz,
        contact=landing.contact.position,
        impact_speed=speed,
        body_weight_n=body_weight_n,
        gravity=gravity,
    )
    return event.position if event else None


def body_landings(
    plates: Plates, task: str, side: str, *, body_weight_n: float, settings: ProcessingSettings
) -> tuple[dict[int, SideLanding], Found]:
    """Return the landings of all that stands on the plates, by number, and the events behind them.

    Parameters
    ----------
    side
        Side of the trial: the tested limb of a single-leg task, else `both`.
    """
    found = landings_of(
        task,
        plates.flights(settings.events),
        len(plates.total),
        plates.signals.rate_hz,
        smallest_landing_peak=LANDING_PEAK_BW * body_weight_n,
        second_hop_flight_s=settings.events.second_hop_flight_s,
    )
    stance = _stance(plates, found, body_weight_n, settings)
    partly = frozenset[str]()
    if stance is not None:
        share = weight_supported(plates.total, stance, body_weight_n)
        if abs(share - 1.0) > LARGEST_SUPPORT_ERROR:
            partly = frozenset({str(Reason.INCOMPLETE_PLATE)})
    landings = {}
    for number, item in found.items():
        landing = item.landing
        result = SideLanding(number, side, "plate", plates.signals, flags=item.flags | partly)
        if landing is not None:
            after = found[number + 1].landing if number + 1 in found else None
            result = replace(
                result,
                contact=landing.contact.position,
                takeoff=takeoff_of(landing, task),
                lowest=_lowest(
                    landing, after, plates, stance, body_weight_n, settings.standard_gravity
                ),
            )
        landings[number] = result
    return landings, found


def limb_landings(
    plates: Plates,
    side: str,
    body: dict[int, SideLanding],
    found: Found,
    settings: ProcessingSettings,
) -> dict[int, SideLanding]:
    """Return the landings of one limb in a two-leg task; the lowest point is that of the body."""
    phases: Sequence[FlightPhase] = plates.flights(settings.events, side)
    rate_hz = plates.signals.rate_hz
    own = {
        number: limb_phase(phases, item.landing.flight, rate_hz)
        for number, item in found.items()
        if item.landing is not None
    }
    landings = {}
    for number, whole in body.items():
        phase, following = own.get(number), own.get(number + 1)
        takeoff = following or phase
        if whole.contact is None or phase is None or phase.contact is None:
            flags = whole.flags | {str(Reason.NO_LANDING)}
            landings[number] = replace(
                whole, side=side, contact=None, takeoff=None, lowest=None, flags=flags
            )
            continue
        landings[number] = replace(
            whole,
            side=side,
            contact=phase.contact.position,
            takeoff=takeoff.takeoff.position if takeoff and takeoff.takeoff else None,
        )
    return landings
