"""Plate and waist unit see a landing far apart: a clock is off, or a contact was found wrong.

A clock shifts everything alike: every contact, and the whole course of force and acceleration. A
contact found wrong shifts itself only. The courses are compared as those of a stomp are, over the
landing itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from enum import Enum

from pipeline.events.stomp import StompLag, shock, stomp_lag
from pipeline.extraction.observe import Observed
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

_MISMATCH = frozenset({str(Reason.CONTACT_MISMATCH)})


class Apart(Enum):
    """What is wrong where contacts lie apart."""

    NOTHING = "nothing"
    CLOCK = "clock"
    CONTACT = "contact"


def contact_lags(observed: Observed) -> dict[int, float]:
    """Return contact by waist minus contact by plate, s, by number of the landings seen by both."""
    lags = {}
    for (number, side), by_waist in observed.waist_landings.items():
        by_plate = observed.plate_landings.get((number, side))
        seconds = [x.seconds(x.contact) for x in (by_waist, by_plate) if x is not None]
        found = [contact_s for contact_s in seconds if contact_s is not None]
        if len(found) == 2:
            lags[number] = found[0] - found[1]
    return lags


def _lag_of_course(observed: Observed, number: int, settings: ProcessingSettings) -> float | None:
    """Return how much later the waist unit has the course of a landing, s; None if not told."""
    plates, waist = observed.plates, observed.waist
    landing = observed.plate_landings[number, observed.trial.side]
    if plates is None or waist is None or landing.contact is None:
        return None
    chosen = settings.synchronisation.model_copy(
        update={
            "smallest_correlation": settings.quality.smallest_course_correlation,
            "search_s": settings.quality.course_s,
        }
    )
    order = settings.filtering.order_per_pass
    try:
        force, felt = (
            shock(values, rate_hz, "", order_per_pass=order, settings=chosen)
            for values, rate_hz in (
                (plates.total, plates.signals.rate_hz),
                (waist.resultant_g, waist.signals.rate_hz),
            )
        )
    except ValueError:  # too slow for the band, or too short for its filter
        return None
    found = stomp_lag(
        force,
        felt,
        landing.contact / plates.signals.rate_hz - 0.5 * chosen.search_s,
        chosen,
        beside_s=plates.signals.seconds(0.0) - waist.signals.seconds(0.0),
    )
    return found.lag_s if isinstance(found, StompLag) else None


def what_is_apart(
    observed: Observed, lags: Mapping[int, float], settings: ProcessingSettings
) -> Apart:
    """Tell a clock that is off from a contact that was found wrong.

    One contact in time says that the clocks agree. If all lie apart, the course of the landing
    tells; where it does not, lags that differ from each other are not those of a clock, and one
    and the same lag is.
    """
    limit_s = settings.quality.largest_clock_difference_s
    if all(abs(lag_s) <= limit_s for lag_s in lags.values()):
        return Apart.NOTHING
    if any(abs(lag_s) <= limit_s for lag_s in lags.values()):
        return Apart.CONTACT
    course_s = _lag_of_course(observed, min(lags), settings)
    if course_s is not None:
        return Apart.CONTACT if abs(course_s) <= limit_s else Apart.CLOCK
    alike = max(lags.values()) - min(lags.values()) <= limit_s
    return Apart.CLOCK if alike else Apart.CONTACT


def with_wrong_contacts(
    observed: Observed, lags: Mapping[int, float], settings: ProcessingSettings
) -> Observed:
    """Flag the landings whose contact by the waist unit was found wrong.

    That of the plate stands: it is the foot on the ground, seen by a threshold and a load.
    """
    limit_s = settings.quality.largest_clock_difference_s
    wrong = {number for number, lag_s in lags.items() if abs(lag_s) > limit_s}
    by_waist = {
        (number, side): replace(x, flags=x.flags | _MISMATCH) if number in wrong else x
        for (number, side), x in observed.waist_landings.items()
    }
    unit = observed.waist.signals if observed.waist is not None else None
    chosen = {
        (number, side): replace(x, flags=x.flags | _MISMATCH)
        if number in wrong and x.signals is unit
        else x
        for (number, side), x in observed.chosen.items()
    }
    return replace(observed, waist_landings=by_waist, chosen=chosen)
