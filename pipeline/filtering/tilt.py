"""Hold an integrated angle by gravity: a complementary filter, switched by what it may trust.

An accelerometer tells the inclination of its segment only while nothing but gravity acts on it. In
flight it reads nothing, at an impact anything: there the angle runs on the gyroscope alone.

Source: the complementary filter of Mahony, Hamel and Pflimlin 2008, IEEE Transactions on Automatic
Control 53:1203, about one axis and with a fixed gain (reference from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

Signal = NDArray[np.float64]
Mask = NDArray[np.bool_]


def inclination(specific_force: Signal, axis: ArrayLike, upright: ArrayLike) -> Signal:
    """Return how far a segment has turned about an axis since it stood, in rad.

    At rest the specific force points up. A segment that turns by an angle about the axis sees it
    turn back by as much, in the plane across the axis.

    Parameters
    ----------
    specific_force
        Shape (3, samples), in the frame of the accelerometer.
    axis
        Unit vector in that frame, shape (3,); a positive rate about it is a positive turn.
    upright
        Specific force while standing, shape (3,), of any length above zero.

    Raises
    ------
    ValueError
        The force while standing lies along the axis: it shows no turn about it.
    """
    about, up = np.asarray(axis, dtype=np.float64), np.asarray(upright, dtype=np.float64)
    across = up - (up @ about) * about
    length = float(np.linalg.norm(across))
    if length <= 1e-6 * float(np.linalg.norm(up)):
        raise ValueError("gravity lies along the axis while standing: no turn about it is seen")
    across /= length
    forwards = np.cross(across, about)
    return np.arctan2(forwards @ specific_force, across @ specific_force)


def steady(
    specific_force: Signal,
    rate_hz: float,
    *,
    gravity: float,
    norm_tolerance_g: float,
    steady_for_s: float,
) -> Mask:
    """Return where an accelerometer has felt about 1 g for some time, shape (samples,).

    A swing or a ringing belt passes through 1 g for a moment: a sample counts only once the
    condition has held for `steady_for_s`. Before the first sample nothing is known.

    Parameters
    ----------
    specific_force
        Shape (3, samples), in the unit of `gravity`.
    norm_tolerance_g
        Largest distance of the length from 1 g.
    """
    length = np.sqrt(np.einsum("ij,ij->j", specific_force, specific_force)) / gravity
    places = np.arange(length.size)
    last_outside = np.maximum.accumulate(
        np.where(np.abs(length - 1.0) < norm_tolerance_g, -1, places)
    )
    return places - last_outside > steady_for_s * rate_hz


def tilt_correction(
    angle: Signal, inclined: Signal, trusted: Mask, rate_hz: float, *, time_constant_s: float
) -> Signal:
    """Return what a complementary filter adds to an integrated angle (shape and unit as `angle`).

    The filtered angle is alpha (previous + turn by the gyroscope) + (1 - alpha) inclination where
    the inclination is trusted, and previous + turn elsewhere; alpha = tau / (tau + dt). Its
    difference from the integrated angle is then a first-order filter of (inclination - angle) over
    the trusted samples alone, which rests in between. It starts from 0.

    Parameters
    ----------
    angle
        Integral of the rate; the filter does not see the rate itself.
    inclined
        Inclination by the accelerometer, with the same zero.
    trusted
        Where the inclination counts, shape (samples,).
    time_constant_s
        tau; a bias that is left in the rate shows as tau times the bias, once the filter settled.
    """
    alpha = time_constant_s / (time_constant_s + 1.0 / rate_hz)
    pulled = lfilter([1.0 - alpha], [1.0, -alpha], (inclined - angle)[trusted])
    return np.concatenate(([0.0], pulled))[np.cumsum(trusted)]
