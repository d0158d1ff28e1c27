"""Knee flexion from the rates of thigh and shank, and its landing metrics.

Flexion is positive, zero in quiet standing (an extension deficit is therefore not seen). With the
z axis to the subject's right, knee rate = thigh rate - shank rate on both legs.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import Window
from pipeline.filtering.sampled import cumulative_integral, value_at
from pipeline.metrics.outcome import Measured, Outcome, Refused
from pipeline.reasons import Reason

Signal = NDArray[np.float64]


def knee_rate(thigh_rate: Signal, shank_rate: Signal) -> Signal:
    """Return the rate of knee flexion, rad/s, from the segments' rates about the flexion axis."""
    return thigh_rate - shank_rate


def linear_bias(rate: Signal, start: Window, end: Window) -> Signal:
    """Return a bias that runs straight from one quiet stance to another (shape as `rate`).

    Exact for linear drift; legitimate only where both stances are at rest.
    """
    middles = [0.5 * (window.first_sample + window.last_sample) for window in (start, end)]
    if middles[1] <= middles[0]:
        raise ValueError("the second stance must come after the first")
    first, last = (float(rate[window.samples].mean()) for window in (start, end))
    slope = (last - first) / (middles[1] - middles[0])
    return first + slope * (np.arange(len(rate), dtype=np.float64) - middles[0])


def knee_angle(rate: Signal, rate_hz: float, *, standing: Window) -> Signal:
    """Integrate the rate to the angle in rad, zero on average over a quiet stance in the trial.

    Integrate over a few seconds only: a bias of 0.5 degrees per second is 2.5 degrees after 5 s.
    """
    angle = cumulative_integral(rate, rate_hz)
    return angle - float(angle[standing.samples].mean())


def expected_drift_rad(
    rate: Signal, rate_hz: float, *, standing: Window, end_stance: Window
) -> float:
    """Return the drift between two quiet stances that the rate in the second one reveals.

    The bias is zero at the first (it was removed) and grows in a straight line to the mean rate of
    the second: the angle then drifts by half their product with the time between them.
    """
    first = 0.5 * (standing.first_sample + standing.last_sample)
    last = 0.5 * (end_stance.first_sample + end_stance.last_sample)
    change = float(rate[end_stance.samples].mean()) - float(rate[standing.samples].mean())
    return 0.5 * change * (last - first) / rate_hz


def _window(
    signal: Signal, rate_hz: float, contact: float, knee_flexion_s: float, until: float | None
) -> tuple[int, int] | Refused:
    limit = contact + knee_flexion_s * rate_hz
    if until is not None:
        limit = min(limit, until)
    first, last = math.floor(contact), math.floor(limit)
    if first < 0 or last >= len(signal):
        return Refused(
            Reason.SHORT_RECORDING,
            f"samples {first} to {last} are needed, the recording has {len(signal)}",
        )
    return first, last


def knee_flexion_metrics(
    angle: Signal,
    rate_hz: float,
    *,
    contact: float,
    knee_flexion_s: float,
    until: float | None = None,
) -> dict[str, Outcome]:
    """Return flexion at contact, peak flexion and excursion, in degrees.

    Parameters
    ----------
    angle
        Knee flexion in rad, from gyroscopes or a camera, shape (samples,).
    contact
        Position of the initial contact in samples of this signal.
    knee_flexion_s
        The peak is sought over this time from contact ...
    until
        ... but not beyond this position (take-off of a drop jump), when given.
    """
    names = ("knee_flexion_at_contact", "peak_knee_flexion", "knee_flexion_excursion")
    window = _window(angle, rate_hz, contact, knee_flexion_s, until)
    if isinstance(window, Refused):
        return dict.fromkeys(names, window)
    first, last = window
    at_contact = math.degrees(value_at(angle, contact))
    after = angle[math.ceil(contact) : last + 1]
    if not len(after):
        return dict.fromkeys(names, Refused(Reason.NO_LANDING, "no sample follows contact"))
    peak = max(math.degrees(float(after.max())), at_contact)
    return {
        "knee_flexion_at_contact": Measured(at_contact, first, math.ceil(contact)),
        "peak_knee_flexion": Measured(peak, first, last),
        "knee_flexion_excursion": Measured(peak - at_contact, first, last),
    }


def peak_knee_flexion_rate(
    rate: Signal,
    angle: Signal,
    rate_hz: float,
    *,
    contact: float,
    knee_flexion_s: float,
    until: float | None = None,
) -> Outcome:
    """Return the largest rate of knee flexion between contact and peak flexion, in degrees per s.

    Parameters are those of `knee_flexion_metrics`; `rate` in rad/s belongs to `angle`.
    """
    window = _window(angle, rate_hz, contact, knee_flexion_s, until)
    if isinstance(window, Refused):
        return window
    first, last = math.ceil(contact), window[1]
    if last < first:
        return Refused(Reason.NO_LANDING, "no sample follows contact")
    peak_sample = first + int(np.argmax(angle[first : last + 1]))
    value = math.degrees(float(rate[first : peak_sample + 1].max()))
    return Measured(value, first, peak_sample)
