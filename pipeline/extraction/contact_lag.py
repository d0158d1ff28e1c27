"""By how much the waist unit sees a contact later than the plate, on the clock of the trial."""

from __future__ import annotations

import math

from pipeline.extraction.values import SideLanding
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason

CONTACT_LAG = "contact_lag_of_waist"
"""Its name in the metric dictionary."""


def contact_lag(waist: SideLanding, plate: SideLanding | None) -> Outcome:
    """Return contact by waist minus contact by plate, in ms; samples are those of the waist unit.

    What is left of the synchronisation error of the two recordings is part of it. Refused where a
    stomp has put the waist unit on the clock of the plate.
    """
    if plate is None or plate.signals is None or plate.contact is None:
        return Refused(Reason.NO_LANDING, "the plate has not seen this landing")
    if waist.signals is None or waist.contact is None:
        return Refused(Reason.NO_LANDING, "the waist unit has not seen this landing")
    if waist.signals.lag_by_stomp:
        return Refused(
            Reason.LAG_BY_STOMP,
            "a stomp gave the lag of the clocks, the way of its shock to the waist included",
        )
    lag_s = waist.signals.seconds(waist.contact) - plate.signals.seconds(plate.contact)
    by_plate = waist.signals.position(plate.signals.seconds(plate.contact))
    first, last = sorted((by_plate, waist.contact))
    return Measured(1000.0 * lag_s, math.floor(first), math.ceil(last))
