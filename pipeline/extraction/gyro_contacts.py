"""Landings that only the gyroscopes have seen: neither plate nor waist unit gave a contact."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from pipeline.events.gyro import gyro_contact
from pipeline.events.phases import Event
from pipeline.extraction.knee import Knee
from pipeline.extraction.observe import Observed
from pipeline.extraction.stretch import unfit_for
from pipeline.extraction.tasks import LANDINGS, falls_from_box
from pipeline.extraction.values import SideLanding
from pipeline.filtering.butterworth import zero_lag_lowpass
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

GYRO = "gyro"
_BY_GYRO = frozenset({str(Reason.CONTACT_BY_GYRO)})
_OWN_CLOCK = frozenset({str(Reason.OWN_CLOCK)})


def contact_by_gyro(knee: Knee, settings: ProcessingSettings) -> Event | None:
    """Return the contact of the landing from the box; None where the rates show none."""
    rate_hz, cutoff = knee.signals.rate_hz, settings.filtering.angular_rate_hz
    if unfit_for(cutoff, knee.signals) is not None:
        return None
    segments = np.stack([knee.thigh, knee.shank])
    if cutoff is not None:
        segments = zero_lag_lowpass(
            segments, rate_hz, cutoff_hz=cutoff, order_per_pass=settings.filtering.order_per_pass
        )
    thigh, shank = segments
    return gyro_contact(
        thigh,
        shank,
        rate_hz,
        gyro_landing_share=settings.events.gyro_landing_share,
        gyro_landing_rate_deg_s=settings.events.gyro_landing_rate_deg_s,
    )


def contact_either_way(knee: Knee, settings: ProcessingSettings) -> float | None:
    """Return when (s) a single-leg landing touches down, whichever way its units are mounted.

    Of the two signs the one stands whose landing turns the shank faster: a landing is faster than
    the rise from it. Only for deciding how the units are mounted.
    """
    found = []
    for way in (knee, knee.turned()):
        event = contact_by_gyro(way, settings)
        if event is not None:
            reach = event.sample + round(settings.windows.knee_flexion_s * knee.signals.rate_hz)
            speed = float(-way.shank[event.sample : reach].min())
            found.append((speed, knee.signals.seconds(event.position)))
    return max(found)[1] if found else None


def with_gyro_contacts(
    observed: Observed, knees: Mapping[str, Knee], settings: ProcessingSettings
) -> Observed:
    """Give the landings from a box that nobody saw a contact by gyroscope.

    Only there: no other landing has a metric of the knee, and nothing else can be timed by it. Each
    limb has its own contact; that of the whole body is the earlier one, as on plates.
    """
    trial, chosen = observed.trial, dict(observed.chosen)
    for number in range(1, LANDINGS[trial.task] + 1):
        body = (number, trial.side)
        if not falls_from_box(trial.task, number) or chosen[body].contact is not None:
            continue
        limbs = {}
        for side, knee in knees.items():
            event = contact_by_gyro(knee, settings)
            if event is not None:
                limbs[number, side] = SideLanding(
                    number,
                    side,
                    GYRO,
                    knee.signals,
                    contact=event.position,
                    flags=_OWN_CLOCK.intersection(knee.signals.flags) | _BY_GYRO,
                )
        if limbs:
            first = min(limbs.values(), key=lambda landing: landing.seconds(landing.contact) or 0.0)
            chosen |= limbs | {body: replace(first, side=trial.side)}
    return replace(observed, chosen=chosen)
