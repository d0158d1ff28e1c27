"""True toe and heel peak of closed-form landings; see `closed_truth` and `closed_truth_defined`."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.known_answers.closed_truth import STEP_S, Scene

Array = NDArray[np.float64]

FROM_S, UNTIL_S = 0.015, 0.100


def two_tops(force: Array, lowest_s: float) -> tuple[int, int]:
    """Return the samples of the two tops of a dense force from contact on.

    They are all that lies in the window; ValueError where there are not two.
    """
    first, last = round(FROM_S / STEP_S), round(min(UNTIL_S, lowest_s) / STEP_S)
    part = force[first - 1 : last + 2]
    tops = first + np.flatnonzero((part[1:-1] > part[:-2]) & (part[1:-1] >= part[2:]))
    toe, heel = tops.tolist()
    return toe, heel


def _top(scene: Scene, order: int) -> int:
    return two_tops(scene.force, scene.lowest_s)[order]


def _height(order: int) -> Callable[[Scene], float]:
    return lambda scene: float(scene.force[_top(scene, order)])


def _time_ms(order: int) -> Callable[[Scene], float]:
    return lambda scene: 1000.0 * STEP_S * _top(scene, order)


PEAK_TRUTHS: dict[str, Callable[[Scene], float]] = {
    "first_force_peak": _height(0),
    "second_force_peak": _height(1),
    "time_to_first_force_peak": _time_ms(0),
    "time_to_second_force_peak": _time_ms(1),
}
"""Metric -> its true value in the unit of the metric dictionary."""
