"""The mean reading of an accelerometer that lies still, and which way it lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import stillest_window

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StaticPose:
    """Mean reading in the stillest window, shape (3,); `reason` is empty when it is still."""

    mean: Signal
    spread: float
    reason: str


def static_pose(
    readings: Signal, rate_hz: float, *, window_s: float, largest_spread: float
) -> StaticPose:
    """Return the mean reading of a pose.

    Parameters
    ----------
    readings
        Shape (3, samples).
    largest_spread
        Largest standard deviation of an axis, in the unit of the readings.

    Raises
    ------
    ValueError
        The recording is shorter than the window.
    """
    window = stillest_window(readings, np.ones(3), rate_hz, window_s=window_s)
    still = readings[:, window.samples]
    spread = float(still.std(axis=1).max())
    reason = ""
    if spread > largest_spread:
        reason = f"the pose is not static: an axis varies by {spread:.3g}, limit {largest_spread:g}"
    return StaticPose(still.mean(axis=1), spread, reason)


def position_of(mean: Signal) -> str:
    """Return which axis points up or down (x_up, x_down, ...): the one that carries most."""
    axis = int(np.argmax(np.abs(mean)))
    return f"{'xyz'[axis]}_{'up' if mean[axis] > 0.0 else 'down'}"
