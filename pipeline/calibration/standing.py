"""Standing calibration of accelerometers and gyroscopes: gravity direction and rate bias.

Each result keeps its window, its figures, and `reason`: empty when accepted, else what failed
with the value found and the limit. Limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.stillness import Window, stillest_window
from shared.units import STANDARD_GRAVITY

Signal = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StandingGravity:
    """Gravity in the frame of an accelerometer at rest.

    Attributes
    ----------
    direction
        Unit vector of the specific force (it points up), shape (3,).
    magnitude_g
        Length of the mean specific force in multiples of gravity.
    spread_g
        Standard deviation of the resultant in the window.
    window
        The samples used.
    reason
        Empty when accepted.
    """

    direction: Signal
    magnitude_g: float
    spread_g: float
    window: Window
    reason: str

    @property
    def accepted(self) -> bool:
        """True when every limit holds."""
        return not self.reason


@dataclass(frozen=True, slots=True)
class StandingBias:
    """Bias of a gyroscope at rest, rad/s, shape (3,); `spread` is the largest of the three SDs."""

    bias: Signal
    spread: float
    window: Window
    reason: str

    @property
    def accepted(self) -> bool:
        """True when every limit holds."""
        return not self.reason


def standing_gravity(
    specific_force: Signal,
    rate_hz: float,
    *,
    window_s: float,
    acceleration_spread_g: float,
    acceleration_norm_error_g: float,
    gravity: float = STANDARD_GRAVITY,
) -> StandingGravity:
    """Find gravity in the stillest window of quiet standing.

    Parameters
    ----------
    specific_force
        Shape (3, samples), m/s².
    window_s
        Length of the window.
    acceleration_spread_g
        Largest standard deviation of the resultant, in g.
    acceleration_norm_error_g
        Largest distance of the mean's length from 1 g.

    Raises
    ------
    ValueError
        The recording is shorter than the window, or the sensor reads zero.
    """
    resultant = np.sqrt(np.einsum("ij,ij->j", specific_force, specific_force))
    window = stillest_window(resultant[None, :], [gravity], rate_hz, window_s=window_s)
    mean = specific_force[:, window.samples].mean(axis=1)
    length = float(np.linalg.norm(mean))
    if length == 0.0:
        raise ValueError("the accelerometer reads zero on all axes: no gravity can be found")
    magnitude = length / gravity
    spread = float(resultant[window.samples].std()) / gravity
    faults = []
    if spread > acceleration_spread_g:
        faults.append(
            f"resultant acceleration varies by {spread:.3f} g, limit {acceleration_spread_g:g} g"
        )
    if abs(magnitude - 1.0) > acceleration_norm_error_g:
        faults.append(
            f"mean acceleration is {magnitude:.3f} g, limit 1 g ± {acceleration_norm_error_g:g} g"
        )
    return StandingGravity(mean / length, magnitude, spread, window, "; ".join(faults))


def standing_bias(
    rates: Signal,
    rate_hz: float,
    *,
    window_s: float,
    rate_spread_deg_s: float,
    rate_bias_deg_s: float,
) -> StandingBias:
    """Find the bias of a gyroscope in the stillest window of quiet standing.

    Parameters
    ----------
    rates
        Shape (3, samples), rad/s.
    rate_spread_deg_s
        Largest standard deviation of an axis.
    rate_bias_deg_s
        Largest bias of an axis (the limit of the data sheet).

    Raises
    ------
    ValueError
        The recording is shorter than the window.
    """
    window = stillest_window(rates, np.ones(len(rates)), rate_hz, window_s=window_s)
    still = rates[:, window.samples]
    bias = still.mean(axis=1)
    spread = float(still.std(axis=1).max())
    largest = float(np.degrees(np.abs(bias).max()))
    faults = []
    if np.degrees(spread) > rate_spread_deg_s:
        faults.append(
            f"angular rate varies by {np.degrees(spread):.2f} °/s, limit {rate_spread_deg_s:g} °/s"
        )
    if largest > rate_bias_deg_s:
        faults.append(f"bias of angular rate is {largest:.2f} °/s, limit {rate_bias_deg_s:g} °/s")
    return StandingBias(bias, spread, window, "; ".join(faults))
