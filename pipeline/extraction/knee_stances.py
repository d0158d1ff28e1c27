"""Quiet stances around a landing, told by the rate of the knee: there its bias can be read."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import (
    Window,
    moving_mean_and_sd,
    stillest_window,
    window_samples,
)
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]


def stance_before(
    rate: Signal, rate_hz: float, contact: float, settings: ProcessingSettings
) -> Window | None:
    """Return the quiet stance from which the angle of a landing is integrated; None without one.

    That is the stillest window within `standing_before_contact_s`; where nobody stood still then,
    the stillest within as much time before the end of the last quiet one.

    Parameters
    ----------
    rate
        Rate of the knee, rad/s, shape (samples,).
    """
    windows, last = settings.windows, math.floor(contact)
    first = max(math.ceil(contact - windows.standing_before_contact_s * rate_hz), 0)
    if last - first < windows.standing_window_s * rate_hz:
        return None
    near = _stillest(rate, rate_hz, first, last, settings)
    if near is not None:
        return near
    # The last quiet window reaches into the movement after it; the stillest one does not.
    width = window_samples(windows.standing_window_s, rate_hz, last)
    _, spread = moving_mean_and_sd(rate[:last], width)
    quiet = np.flatnonzero(spread <= _limit(settings))
    if not len(quiet):
        return None
    end = int(quiet[-1]) + width
    first = max(end - math.floor(windows.standing_before_contact_s * rate_hz), 0)
    return _stillest(rate, rate_hz, first, end, settings)


def stance_after(
    rate: Signal, rate_hz: float, contact: float, settings: ProcessingSettings
) -> Window | None:
    """Return the stillest stance after a landing; None where none is quiet."""
    windows = settings.windows
    first = math.ceil(contact + windows.standing_after_contact_s * rate_hz)
    if len(rate) - first < windows.standing_window_s * rate_hz:
        return None
    return _stillest(rate, rate_hz, first, len(rate), settings)


def _stillest(
    rate: Signal, rate_hz: float, first: int, end: int, settings: ProcessingSettings
) -> Window | None:
    window = stillest_window(
        rate[None, first:end], [1.0], rate_hz, window_s=settings.windows.standing_window_s
    )
    window = Window(window.first_sample + first, window.last_sample + first)
    return window if float(rate[window.samples].std()) <= _limit(settings) else None


def _limit(settings: ProcessingSettings) -> float:
    return math.radians(settings.calibration.rate_spread_deg_s)
