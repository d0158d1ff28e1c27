"""The impact of a landing at the waist: peak, rise, impulse, duration of one filtered stretch."""

from __future__ import annotations

import math

from pipeline.events.waist import resultant
from pipeline.extraction.stretch import filtered_between, unfit_for
from pipeline.extraction.values import shifted
from pipeline.extraction.waist import Signal, Waist
from pipeline.metrics.outcome import Outcome, Refused
from pipeline.metrics.waist import peak_waist_acceleration
from pipeline.metrics.waist_impact import peak_waist_loading_rate, shock_duration, waist_impulse
from pipeline.reasons import Reason
from shared.settings.processing import ProcessingSettings

IMPULSES = {"waist_impulse_first_50_ms": 0.050, "waist_impulse_first_100_ms": 0.100}
METRICS = (
    "peak_waist_acceleration",
    "peak_vertical_waist_acceleration",
    "peak_waist_loading_rate",
    "waist_shock_duration",
    *IMPULSES,
)
OF_THE_TOP = (
    "peak_waist_acceleration",
    "peak_vertical_waist_acceleration",
    "peak_waist_loading_rate",
)
"""What a slow recording misses."""

_NO_GRAVITY = Refused(
    Reason.CALIBRATION_REJECTED, "without quiet standing the vertical of the unit is not known"
)


def rate_flags(unit: Waist, settings: ProcessingSettings) -> dict[str, frozenset[str]]:
    """Return the flags of values that the rate of the unit makes a guess, by metric."""
    if unit.signals.rate_hz >= settings.quality.smallest_impact_rate_hz:
        return {}
    return dict.fromkeys(OF_THE_TOP, frozenset({str(Reason.LOW_RATE)}))


def impact_values(
    unit: Waist, contact: float, upward: Signal | None, settings: ProcessingSettings
) -> dict[str, Outcome]:
    """Return the metrics of the impact that follows a contact.

    Parameters
    ----------
    contact
        In slots of the unit's recording.
    upward
        Unit vector of gravity's reaction in quiet standing, shape (3,); None when not known.
    """
    rate_hz, window_s = unit.signals.rate_hz, settings.windows.waist_peak_s
    cutoff, gravity = settings.filtering.waist_acceleration_hz, settings.standard_gravity
    if (unfit := unfit_for(cutoff, unit.signals)) is not None:
        return dict.fromkeys(METRICS, unfit)
    # A slope needs a sample on either side of the window.
    first = max(math.floor(contact) - 1, 0)
    last = math.ceil(contact + window_s * rate_hz) + 1
    axes = filtered_between(
        unit.axes,
        rate_hz,
        first,
        last,
        cutoff_hz=cutoff,
        order_per_pass=settings.filtering.order_per_pass,
    )[:, first : last + 1]
    size = resultant(axes) / gravity
    window = {"contact": contact - first, "waist_peak_s": window_s}
    values: dict[str, Outcome] = {
        "peak_waist_acceleration": peak_waist_acceleration(size, rate_hz, **window),
        "peak_vertical_waist_acceleration": _NO_GRAVITY
        if upward is None
        else peak_waist_acceleration(upward @ axes / gravity, rate_hz, **window),
        "peak_waist_loading_rate": peak_waist_loading_rate(size, rate_hz, **window),
        "waist_shock_duration": shock_duration(
            size, rate_hz, **window, threshold_g=settings.metric_limits.waist_shock_g
        ),
    }
    for metric, duration_s in IMPULSES.items():
        values[metric] = waist_impulse(size, rate_hz, contact=contact - first, window_s=duration_s)
    return {metric: shifted(outcome, first) for metric, outcome in values.items()}
