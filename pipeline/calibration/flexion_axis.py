"""Alignment of a gyroscope with its segment: the flexion axis from slow flexion and extension.

A unit that is worn askew by an angle loses 1 - cos of it of the sagittal rate and takes in sin of
it of the other rates. During slow knee flexions a segment turns about one axis only, the principal
direction of its rates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.filtering.sampled import cumulative_integral

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FlexionAxis:
    """The flexion axis of a segment in the frame of its gyroscope.

    Attributes
    ----------
    axis
        Unit vector, shape (3,); a positive rate about it is the segment's turn in flexion.
    explained_share
        Share of the rates' mean square that lies along the axis.
    range_rad
        Angle covered about the axis.
    reason
        Empty when accepted.
    """

    axis: Signal
    explained_share: float
    range_rad: float
    reason: str

    @property
    def accepted(self) -> bool:
        """True when every limit holds."""
        return not self.reason


def flexion_axis(
    rates: Signal,
    rate_hz: float,
    *,
    smallest_explained_share: float,
    smallest_flexion_deg: float,
) -> FlexionAxis:
    """Find the axis of slow flexions and extensions that begin and end in standing.

    The axis is the first right singular vector of the rate matrix (samples x 3). Its sign is that
    of flexion: from standing the knee can only flex, so the mean angle is positive.

    Parameters
    ----------
    rates
        Shape (3, samples), rad/s, bias removed.
    smallest_explained_share
        Less, and the movement was not about one axis.
    smallest_flexion_deg
        Less, and the segment hardly took part.

    Raises
    ------
    ValueError
        All rates are zero.
    """
    squares = rates @ rates.T
    if not squares.any():
        raise ValueError("the gyroscope reads zero on all axes: it shows no flexion")
    powers, axes = np.linalg.eigh(squares)
    axis, share = axes[:, -1], float(powers[-1] / powers.sum())
    angle = cumulative_integral(axis @ rates, rate_hz)
    if angle.mean() < 0.0:
        axis = -axis
    covered = float(np.ptp(angle))
    faults = []
    if share < smallest_explained_share:
        faults.append(
            f"one axis explains {share:.1%} of the rates, limit {smallest_explained_share:.0%}"
        )
    if np.degrees(covered) < smallest_flexion_deg:
        faults.append(
            f"the segment turned by {np.degrees(covered):.1f} degrees, "
            f"limit {smallest_flexion_deg:g} degrees"
        )
    return FlexionAxis(axis, share, covered, "; ".join(faults))
