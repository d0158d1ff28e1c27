"""Quiet stances around a landing, told by the rate of the knee: there its bias can be read."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import Window, moving_mean_and_sd
from shared.settings.processing import ProcessingSettings

Signal = NDArray[np.float64]


def quiet_stances(
    rate: Signal, rate_hz: float, contact: float, settings: ProcessingSettings
) -> tuple[Window | None, Window | None]:
    """Return the quiet stance before a landing and the one after it; None for one that is missing.

    Before: the stillest window within `standing_before_contact_s`, from which the angle is
    integrated; where nobody stood still then, the stillest within as much time before the end of
    the last quiet one. After: the stillest window from `standing_after_contact_s` on.

    Parameters
    ----------
    rate
        Rate of the knee, rad/s, shape (samples,).
    """
    windows = settings.windows
    width = round(windows.standing_window_s * rate_hz)
    if not 2 <= width <= len(rate):
        return None, None
    _, spread = moving_mean_and_sd(rate, width)
    limit = math.radians(settings.calibration.rate_spread_deg_s)
    reach, end = windows.standing_before_contact_s * rate_hz, math.floor(contact)
    before = _stillest(spread, width, max(math.ceil(contact - reach), 0), end, limit)
    if before is None:
        # The last quiet window reaches into the movement after it; the stillest one does not.
        quiet = np.flatnonzero(spread[: max(end - width + 1, 0)] <= limit)
        if len(quiet):
            end = int(quiet[-1]) + width
            before = _stillest(spread, width, max(end - math.floor(reach), 0), end, limit)
    after = math.ceil(contact + windows.standing_after_contact_s * rate_hz)
    return before, _stillest(spread, width, after, len(rate), limit)


def _stillest(spread: Signal, width: int, first: int, end: int, limit: float) -> Window | None:
    """Return the stillest window that lies from sample `first` to before `end`, if it is quiet."""
    inside = spread[first : max(end - width + 1, 0)]
    if not len(inside):
        return None
    start = first + int(inside.argmin())
    return Window(start, start + width - 1) if spread[start] <= limit else None
