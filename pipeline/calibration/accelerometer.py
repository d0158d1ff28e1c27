"""Static calibration of an accelerometer: scale, cross-axis terms and bias from poses at rest.

Model: reading = scale @ specific force + bias, with a 3 x 3 matrix `scale`. At rest the specific
force is gravity, pointing up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

POSITIONS = ("x_up", "x_down", "y_up", "y_down", "z_up", "z_down")
"""The six positions of a unit on its faces: which of its axes points up or down."""

DIRECTIONS: Array = np.repeat(np.eye(3), 2, axis=0) * np.array([[1.0], [-1.0]] * 3)
"""Direction of the specific force in each of `POSITIONS`, shape (6, 3)."""

LARGEST_CONDITION = 1e6
"""Beyond it the scale cannot be inverted with any meaning; a real one is near 1."""

PARAMETERS_BY_HAND = 9
"""Six of a lower-triangular scale, three of the bias: what the length of gravity can tell."""


@dataclass(frozen=True, slots=True)
class Accelerometer:
    """A calibrated accelerometer: `scale` of shape (3, 3), `bias` (3,) in the unit of readings."""

    scale: Array
    bias: Array

    def corrected(self, readings: Array) -> Array:
        """Return the specific force of readings, shape (3, samples)."""
        inverse = np.linalg.inv(self.scale)
        return inverse @ readings - (inverse @ self.bias)[:, None]


@dataclass(frozen=True, slots=True)
class AccelerometerFit:
    """A calibration and what remains: the root mean square residual in thousandths of gravity."""

    accelerometer: Accelerometer
    residual_mg: float


def from_known_orientations(readings: Array, directions: Array, gravity: float) -> AccelerometerFit:
    """Fit scale and bias (12 unknowns) to poses whose orientation is known, by least squares.

    The residual is that of the corrected vectors against gravity, over all poses and axes. It
    holds the errors of the orientations too: one pose of six that is 2 degrees off makes 4.8 mg.

    Parameters
    ----------
    readings
        Mean reading of each pose, shape (poses, 3).
    directions
        Unit vector up, in the frame of the unit, of each pose, shape (poses, 3).

    Raises
    ------
    ValueError
        The orientations leave the 12 unknowns undetermined.
    """
    forces = gravity * np.asarray(directions, dtype=np.float64)
    design = np.column_stack([forces, np.full(len(forces), gravity)])
    solution, _, rank, _ = np.linalg.lstsq(design, readings, rcond=None)
    if rank < 4:
        raise ValueError("the orientations do not tell all axes and the bias apart")
    fitted = Accelerometer(solution[:3].T.copy(), gravity * solution[3])
    return _judged(fitted, np.asarray(readings), forces, gravity)


def _judged(
    fitted: Accelerometer, readings: Array, forces: Array, gravity: float
) -> AccelerometerFit:
    errors = fitted.corrected(readings.T).T - forces
    return AccelerometerFit(fitted, 1000.0 / gravity * float(np.sqrt((errors**2).mean())))


def bias_from_pairs(readings: Array) -> Array:
    """Return the bias as half the sum of each axis' own readings up and down, shape (3,).

    Tilting a pose changes these readings only in second order, those of the other axes in first
    order. Against the bias of `from_known_orientations`, which uses all readings, the difference
    tells how well the unit was aligned. Source: Ferraris, Grimaldi and Parvis 1995.

    Parameters
    ----------
    readings
        Mean readings in the order of `POSITIONS`, shape (6, 3).
    """
    pairs = np.asarray(readings).reshape(3, 2, 3)
    return np.array([pairs[axis, :, axis].mean() for axis in range(3)])


def from_six_positions(readings: Array, gravity: float) -> AccelerometerFit:
    """Fit the scale to the six positions by least squares, the bias to each axis' own pair.

    The bias of least squares takes every tilt of a pose for a bias. On the open recordings of
    `tests/published/test_imu_calibration.py`, placed by hand, the corrected length of gravity is
    off by up to 3.8 mg with it, by 0.15 mg with that of pairs; without tilt both are the same.

    Parameters
    ----------
    readings
        Mean readings in the order of `POSITIONS`, shape (6, 3).

    Raises
    ------
    ValueError
        The readings of an axis up and down are the same.
    """
    scale = from_known_orientations(readings, DIRECTIONS, gravity).accelerometer.scale
    if np.linalg.cond(scale) > LARGEST_CONDITION:
        raise ValueError("two positions have the same reading: no axis was turned over")
    fitted = Accelerometer(scale, bias_from_pairs(readings))
    return _judged(fitted, np.asarray(readings), gravity * DIRECTIONS, gravity)


def _centre_and_range(readings: Array) -> tuple[Array, Array]:
    highest, lowest = readings.max(axis=0), readings.min(axis=0)
    return (highest + lowest) / 2.0, (highest - lowest) / 2.0


def spread_of_poses(readings: Array) -> float:
    """Return how badly poses spread: the condition number of the ellipsoid through them.

    About 4 for the faces, edges and corners of a cube; it grows without limit when poses leave a
    direction out (lie in a plane, or on few points), and the calibration with it.
    """
    centre, half = _centre_and_range(readings)
    if not half.any():
        return float("inf")
    x, y, z = ((readings - centre) / half.max()).T
    design = np.column_stack([x * x, y * y, z * z, x * y, x * z, y * z, x, y, z])
    return float(np.linalg.cond(design))


def from_unknown_orientations(readings: Array, gravity: float) -> AccelerometerFit:
    """Fit a lower-triangular scale and the bias to poses by hand: only gravity's length is known.

    Minimises the sum of (|scale^-1 (reading - bias)| - gravity)². A rotation of the frame leaves
    the length as it is, so the x axis is kept and the calibration fixes no other direction.
    Sources: Skog and Händel 2006 (from memory); Tedaldi, Pretto and Menegatti 2014.

    Parameters
    ----------
    readings
        Mean reading of each pose, shape (poses, 3); nine at least, well spread.

    Raises
    ------
    ValueError
        Fewer poses than unknowns, or the search does not end.
    """
    from scipy.optimize import least_squares

    readings = np.asarray(readings, dtype=np.float64)
    if len(readings) < PARAMETERS_BY_HAND:
        raise ValueError(f"{len(readings)} poses cannot tell {PARAMETERS_BY_HAND} unknowns")
    centre, half = _centre_and_range(readings)
    if not (half > 0.0).all():
        raise ValueError("an axis has the same reading in all poses")
    unit = (readings - centre) / half  # so that all unknowns are of order one
    lower = np.tril_indices(3)

    def errors(unknowns: Array) -> Array:
        inverse = np.zeros((3, 3))
        inverse[lower] = unknowns[:6]
        return np.linalg.norm((unit - unknowns[6:]) @ inverse.T, axis=1) - 1.0

    start = np.concatenate([np.eye(3)[lower], np.zeros(3)])
    found = least_squares(errors, start, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    inverse = np.zeros((3, 3))
    inverse[lower] = found.x[:6]
    if not found.success or not np.isfinite(found.x).all():
        raise ValueError("no scale and bias fit these poses")
    scale = half[:, None] * np.linalg.inv(inverse) / gravity
    # The length does not tell an axis from its opposite; the unit's own sense stands.
    scale = scale * np.sign(np.diag(scale))
    bias = centre + half * found.x[6:]
    residual = 1000.0 * float(np.sqrt((errors(found.x) ** 2).mean()))
    return AccelerometerFit(Accelerometer(scale, bias), residual)
