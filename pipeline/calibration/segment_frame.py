"""From the three rates of a gyroscope to the rate of its segment about the flexion axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SegmentFrame:
    """Bias (rad/s) and gain of the x, y and z axis; flexion axis as a unit vector.

    `gain` None is 1 on all axes; `axis` None is the z axis of the unit.
    """

    bias: Sequence[float] | Signal
    gain: Sequence[float] | None = None
    axis: Sequence[float] | None = None

    def sagittal_rate(self, x: Signal | None, y: Signal | None, z: Signal) -> Signal:
        """Return the rate about the flexion axis, rad/s; without x or y, about the z axis."""
        gain = self.gain or (1.0, 1.0, 1.0)
        if self.axis is None or x is None or y is None:
            rate = z - self.bias[2]
            return rate if gain[2] == 1.0 else rate / gain[2]
        weights = [share / of_axis for share, of_axis in zip(self.axis, gain, strict=True)]
        level = sum(weight * bias for weight, bias in zip(weights, self.bias, strict=True))
        return weights[0] * x + weights[1] * y + weights[2] * z - level
