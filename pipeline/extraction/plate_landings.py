"""Landings seen by force plates: of the whole body, and of each limb on a plate of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from pipeline.calibration.body_weight import weight_supported
from pipeline.calibration.stillness import Window, mean_and_sd
from pipeline.events.centre_of_mass import (
    Descent,
    descent,
    impact_speed_before_jump,
    impact_speed_from_final_stance,
    impact_speed_from_flight,
)
from pipeline.events.other_plate import other_plate_loaded
from pipeline.events.phases import FlightPhase
from pipeline.events.plate import limb_phase
from pipeline.events.tasks import Landing
from pipeline.extraction.plates import Plates, final_stance
from pipeline.extraction.tasks import (
    ExpectedLanding,
    contact_of,
    falls_from_box,
    landings_of,
    lands_where_it_began,
    takeoff_of,
)
from pipeline.extraction.trials import Trial
from pipeline.extraction.values import SideLanding
from pipeline.quality.identities import fall_flags, fall_time_share, impulse_flags
from pipeline.reasons import Reason
from shared.settings.processing import Events, ProcessingSettings, Quality

FINAL_STANCE, FLIGHT_TIME, FOLLOWING_JUMP = "final_stance", "flight_time", "following_jump"
"""Where a speed at contact comes from."""


@dataclass(frozen=True, slots=True)
class Rest:
    """The quiet stance after the last landing, and the body weight to integrate with until it."""

    window: Window
    weight_n: float

    @property
    def position(self) -> float:
        """Where the athlete has come to rest."""
        return float(self.window.first_sample)


@dataclass(frozen=True, slots=True)
class Impact:
    """Speeds of the whole body at a contact, and its way down.

    Parameters
    ----------
    speeds : downward speed at contact, m/s, by where it comes from
    chosen : the one of them that the way down starts with; '' without any
    descent : None where the centre of mass was not seen to stop
    fall_time_share : implied fall time over that of a free fall from the box; None without a box
    """

    speeds: dict[str, float]
    chosen: str
    descent: Descent | None
    fall_time_share: float | None

    @property
    def mismatch_m_s(self) -> float | None:
        """Speed by the final stance minus speed by the flight time; None where one is missing."""
        if FINAL_STANCE not in self.speeds or FLIGHT_TIME not in self.speeds:
            return None
        return self.speeds[FINAL_STANCE] - self.speeds[FLIGHT_TIME]

    def flags(self, limits: Quality) -> frozenset[str]:
        """Return what the identities of the landing tell against it."""
        flags = frozenset[str]()
        if self.fall_time_share is not None:
            flags |= fall_flags(self.fall_time_share, limits)
        if (mismatch := self.mismatch_m_s) is not None:
            flags |= impulse_flags(mismatch, limits)
        return flags


@dataclass(frozen=True, slots=True)
class BodyOnPlates:
    """What the plates tell of the whole body in a trial.

    Parameters
    ----------
    landings : by number
    found : the events behind them
    impacts : by number of the landings whose contact was seen
    rest : the quiet stance after the last landing
    """

    landings: dict[int, SideLanding] = field(default_factory=dict)
    found: dict[int, ExpectedLanding] = field(default_factory=dict)
    impacts: dict[int, Impact] = field(default_factory=dict)
    rest: Rest | None = None


def _speeds(
    task: str,
    landing: Landing,
    after: Landing | None,
    plates: Plates,
    rest: Rest | None,
    body_weight_n: float,
    gravity: float,
) -> dict[str, float]:
    """Return the speeds at contact: by the jump after, the flight before, and the final stance.

    The order is that of trust: the first one starts the way down of the centre of mass.
    """
    rate_hz, contact = plates.signals.rate_hz, contact_of(landing)
    if contact is None:
        return {}
    speeds = {}
    after_s = after.flight.duration_s(rate_hz) if after else None
    before_s = landing.flight.duration_s(rate_hz)
    if landing.takeoff is not None and after_s is not None:
        speeds[FOLLOWING_JUMP] = impact_speed_before_jump(
            plates.total,
            rate_hz,
            contact=contact,
            takeoff=landing.takeoff.position,
            flight_s=after_s,
            body_weight_n=body_weight_n,
            gravity=gravity,
        )
    elif before_s is not None and lands_where_it_began(task, landing.number):
        speeds[FLIGHT_TIME] = impact_speed_from_flight(before_s, gravity=gravity)
    # Through a flight the final stance would only repeat what the flight time says.
    if rest is not None and FOLLOWING_JUMP not in speeds:
        speeds[FINAL_STANCE] = impact_speed_from_final_stance(
            plates.total,
            rate_hz,
            contact=contact,
            stance_position=rest.position,
            body_weight_n=rest.weight_n,
            gravity=gravity,
        )
    return speeds


def _impact(
    speeds: dict[str, float],
    contact: float,
    box_height_m: float | None,
    plates: Plates,
    body_weight_n: float,
    settings: ProcessingSettings,
) -> Impact:
    chosen = next(iter(speeds), "")
    if not chosen:
        return Impact(speeds, chosen, None, None)
    share = None
    if box_height_m is not None:
        share = fall_time_share(speeds[chosen], box_height_m, gravity=settings.standard_gravity)
    way = descent(
        plates.total,
        plates.signals.rate_hz,
        contact=contact,
        impact_speed=speeds[chosen],
        body_weight_n=body_weight_n,
        search_s=settings.events.lowest_point_search_s,
        gravity=settings.standard_gravity,
    )
    return Impact(speeds, chosen, way, share)


def _rest(
    plates: Plates, last_contact: float, body_weight_n: float, settings: ProcessingSettings
) -> Rest | None:
    """Find the final stance, and weigh the athlete in it if it is as quiet as a weighing must be.

    The gain of the plate then cancels, as for a jump from standing (Owen et al. 2014). A restless
    stance weighs nobody; the body weight of the calibration is better then. Over the 15 jumps of
    the open recordings (course_jumps_MIT) that end quietly, the difference to the speed by flight
    time has a standard deviation of 0.04 m/s with this rule, and of 0.06 m/s with the weight of
    the stance before the jump.
    """
    window = final_stance(
        plates,
        last_contact,
        body_weight_n=body_weight_n,
        window_s=settings.windows.standing_window_s,
        settings=settings.events,
    )
    if window is None:
        return None
    weight, spread = mean_and_sd(plates.total[window.samples])
    quiet = spread <= settings.calibration.force_spread_share * weight
    return Rest(window, weight if quiet else body_weight_n)


def _support_flags(
    plates: Plates, rest: Rest | None, body_weight_n: float, largest_error: float
) -> frozenset[str]:
    """Tell by the force of the final stance whether a foot is partly beside the plate."""
    if rest is None:
        return frozenset()
    share = weight_supported(plates.total, rest.window, body_weight_n)
    partly = abs(share - 1.0) > largest_error
    return frozenset({str(Reason.INCOMPLETE_PLATE)}) if partly else frozenset()


def _other_plate_flags(
    plates: Plates,
    side: str,
    contact: float,
    takeoff: float | None,
    body_weight_n: float,
    events: Events,
) -> frozenset[str]:
    """Tell whether a landing on one leg also loaded the plate beside it.

    A contact that ends in a take-off (a cut, landing 1 of a drop jump) counts until then: the next
    step may be on the other plate.
    """
    if side == "both" or not plates.per_limb:
        return frozenset()
    rate_hz = plates.signals.rate_hz
    end = contact + events.other_plate_within_s * rate_hz
    if takeoff is not None and takeoff > contact:
        end = min(end, takeoff)
    loaded = other_plate_loaded(
        plates.forces,
        rate_hz,
        contact=contact,
        end=end,
        smallest_load_n=events.other_plate_load_share * body_weight_n,
        hold_s=events.other_plate_hold_s,
    )
    return frozenset({str(Reason.OTHER_PLATE_LOADED)}) if loaded else frozenset()


def body_landings(
    plates: Plates, trial: Trial, body_weight_n: float, settings: ProcessingSettings
) -> BodyOnPlates:
    """Return the landings of all that stands on the plates; their side is that of the trial."""
    found = landings_of(
        trial.task,
        plates.flights(settings.events),
        len(plates.total),
        plates.signals.rate_hz,
        smallest_landing_peak=settings.events.landing_peak_bw * body_weight_n,
        settings=settings.events,
    )
    contacts = {number: contact_of(item.landing) for number, item in found.items()}
    last = max((contact for contact in contacts.values() if contact is not None), default=0.0)
    rest = _rest(plates, last, body_weight_n, settings)
    partly = _support_flags(plates, rest, body_weight_n, settings.quality.largest_support_error)
    landings, impacts = {}, {}
    for number, item in found.items():
        landing, contact = item.landing, contacts[number]
        takeoff = takeoff_of(landing, trial.task) if landing is not None else None
        lowest, flags = None, item.flags | partly
        if landing is not None and contact is not None:
            after = found[number + 1].landing if number + 1 in found else None
            speeds = _speeds(
                trial.task, landing, after, plates, rest, body_weight_n, settings.standard_gravity
            )
            box = trial.box_height_m if falls_from_box(trial.task, number) else None
            impact = _impact(speeds, contact, box, plates, body_weight_n, settings)
            impacts[number] = impact
            lowest = impact.descent.lowest if impact.descent else None
            flags |= impact.flags(settings.quality)
            flags |= _other_plate_flags(
                plates, trial.side, contact, takeoff, body_weight_n, settings.events
            )
        landings[number] = SideLanding(
            number, trial.side, "plate", plates.signals, contact, takeoff, lowest, flags
        )
    return BodyOnPlates(landings, found, impacts, rest)


def limb_landings(
    plates: Plates, side: str, body: BodyOnPlates, settings: ProcessingSettings
) -> dict[int, SideLanding]:
    """Return the landings of one limb in a two-leg task; the lowest point is that of the body."""
    phases: Sequence[FlightPhase] = plates.flights(settings.events, side)
    rate_hz = plates.signals.rate_hz
    own = {
        number: limb_phase(
            phases,
            item.landing.flight,
            rate_hz,
            largest_limb_lag_s=settings.events.largest_limb_lag_s,
        )
        for number, item in body.found.items()
        if item.landing is not None
    }
    landings = {}
    for number, whole in body.landings.items():
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
