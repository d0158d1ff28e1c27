"""Bias of a gyroscope through a session, and its scale from a turn by a known angle.

Poses at rest tell the bias and nothing of the scale; the scale needs a known rotation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import window_samples
from pipeline.filtering.sampled import cumulative_integral

Signal = NDArray[np.float64]


def bias_in_session(start: Signal, end: Signal, share: float | None) -> Signal:
    """Return the bias at a point of the session, linear between its start and its end.

    Exact for linear drift. A recording whose place is not known gets the mean of both.

    Parameters
    ----------
    start, end
        Bias of the standing recordings, shape (axes,).
    share
        Place in the session: 0 at the first, 1 at the last standing recording; None if unknown.
    """
    return start + (0.5 if share is None else share) * (end - start)


@dataclass(frozen=True, slots=True)
class RotationScale:
    """Reading of an axis over a known angle: `scale` 1 is true, 1.01 reads 1 % too much."""

    scale: float
    reason: str


def _rest(rate: Signal, place: str, rest_spread: float) -> str:
    spread = float(rate.std())
    if spread <= rest_spread:
        return ""
    return (
        f"no rest at the {place} of the turn: the rate varies by {np.degrees(spread):.2f} °/s, "
        f"limit {np.degrees(rest_spread):g} °/s"
    )


def scale_from_rotation(
    rate: Signal,
    rate_hz: float,
    *,
    angle_rad: float,
    rest_window_s: float,
    rest_spread_deg_s: float,
    largest_scale_error: float,
) -> RotationScale:
    """Return the scale of one axis from a turn about it that begins and ends at rest.

    The bias runs linearly from the rest before to the rest after; what is left is integrated
    (trapezoid) from the middle of one rest to the middle of the other.

    Parameters
    ----------
    rate
        Rate about the axis, rad/s, shape (samples,), with a rest at both ends.
    angle_rad
        The known angle; its sign does not matter, the sense of the axis is the profile's affair.
    rest_window_s, rest_spread_deg_s
        Length of both rests, largest standard deviation in them.
    largest_scale_error
        A scale further from 1 tells that the unit was not turned about this axis by this angle.

    Raises
    ------
    ValueError
        The recording does not hold two rests, or the angle is zero.
    """
    if angle_rad == 0.0:
        raise ValueError("a turn by 0 degrees tells no scale")
    width = window_samples(rest_window_s, rate_hz, len(rate) // 2)
    spread = float(np.radians(rest_spread_deg_s))
    faults = [
        _rest(part, place, spread)
        for part, place in ((rate[:width], "start"), (rate[-width:], "end"))
    ]
    if any(faults):
        return RotationScale(float("nan"), "; ".join(fault for fault in faults if fault))
    first, last = (width - 1) // 2, len(rate) - 1 - (width - 1) // 2
    bias = np.linspace(rate[:width].mean(), rate[-width:].mean(), last - first + 1)
    turned = float(cumulative_integral(rate[first : last + 1] - bias, rate_hz)[-1])
    scale = abs(turned / angle_rad)
    if abs(scale - 1.0) > largest_scale_error:
        return RotationScale(
            scale,
            f"turned by {np.degrees(abs(turned)):.1f} degrees instead of "
            f"{np.degrees(abs(angle_rad)):g}: not the axis, or not the angle, of this turn",
        )
    return RotationScale(scale, "")
