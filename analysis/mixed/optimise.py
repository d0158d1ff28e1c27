"""Minimisation of the deviance: several starts, exact gradients, Newton polish, second-order check.

The deviance is even in each column of a relative factor, so a variance of zero is a stationary
point, never an edge: no bounds are needed. A point is accepted only when its Hessian shows no
descent direction, so that the optimiser cannot rest on a saddle at zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize

from analysis.mixed.derivatives import Smooth, forward_hessian
from analysis.mixed.design import Array

# The deviance may rise by this much when a variance is set to exactly zero: it is then zero.
ZERO_TOLERANCE = 1e-9
# Expected gain of one more Newton step below which the fit counts as converged.
CONVERGED_GAIN = 1e-8
# Below the first expected gain the Hessian no longer changes; below the second, nothing does.
SETTLED_GAIN = 1e-5
NEGLIGIBLE_GAIN = 1e-22
JOINED_DISTANCE = 0.1
# Descents from so many starts that end in one place leave no reason to try the others.
AGREEING_STARTS = 4
# Relative standard deviations, angles and logarithms are all of order one.
LONGEST_STEP = 1.0
POLISH_STEPS = 40
EXTRA_ROUNDS = 3


@dataclass(frozen=True)
class Minimum:
    """A minimum: parameters, value, and whether slope and curvature there confirm it."""

    parameters: Array
    value: float
    converged: bool


def descend(
    function: Smooth,
    start: Array,
    tolerance: float,
    known: Sequence[Array] = (),
    inverse: Array | None = None,
) -> Array:
    """Return where a quasi-Newton descent from `start` ends; never higher than the start.

    `inverse` is a first guess at the inverse Hessian (k, k). The descent stops early once it has
    joined one of the `known` minima (up to the signs, which do not matter to the deviance).
    """

    def stop_when_joined(x: Array) -> None:
        if any(_joined(x, end) for end in known):
            raise StopIteration

    found: Any = minimize(  # type: ignore[call-overload]
        function.value_and_gradient,
        start,
        jac=True,
        method="BFGS",
        callback=stop_when_joined,
        options={"gtol": tolerance, "maxiter": 200, "hess_inv0": inverse},
    )
    return np.asarray(found.x) if found.fun <= function.value(start) else start


def _joined(point: Array, end: Array) -> bool:
    """Tell whether two points are the same minimum; signs make no difference to the deviance."""
    return bool(np.max(np.abs(np.abs(point) - np.abs(end))) < JOINED_DISTANCE)


def polish(function: Smooth, start: Array) -> Minimum:
    """Return the minimum reached by damped Newton steps from a point close to it."""
    at = start
    value, slope = function.value_and_gradient(at)
    curvature = forward_hessian(function, at, slope)
    for _ in range(POLISH_STEPS):
        step, gain, concave = _newton_step(slope, curvature)
        if gain < NEGLIGIBLE_GAIN and not concave:
            break
        if gain < SETTLED_GAIN and not concave:
            # Gains are now lost in the rounding of the deviance; the gradient still tells.
            lower, flatter = function.value_and_gradient(at + step)
            if np.linalg.norm(flatter) >= np.linalg.norm(slope):
                break
            at, value, slope = at + step, lower, flatter
            continue
        at, lower = _damped(function, at, step, value)
        if lower >= value:
            break
        value, slope = function.value_and_gradient(at)
        curvature = forward_hessian(function, at, slope)
    _, gain, concave = _newton_step(slope, curvature)
    return Minimum(at, value, bool(gain < CONVERGED_GAIN and not concave))


def minimise(
    function: Smooth,
    starts: Sequence[Array],
    diagonal: Array,
    tolerance: float,
) -> Minimum:
    """Return the lowest minimum found from the starts; exact zeros if allowed.

    Where the first `AGREEING_STARTS` descents end in one place, the other starts are left out.
    `diagonal` lists the parameters that are standard deviations: those whose value makes no
    difference to the deviance down to zero are set to exactly zero. `tolerance` is the gradient at
    which the quasi-Newton descent hands over to Newton steps.
    """
    ends: list[Array] = []
    for number, start in enumerate(starts, start=1):
        end = descend(function, start, tolerance, known=ends)
        if not any(_joined(end, other) for other in ends):
            ends.append(end)
        if number == AGREEING_STARTS and len(ends) == 1:
            break
    lowest = min(ends, key=lambda end: function.value(end))
    minimum = polish(function, lowest)
    for _ in range(EXTRA_ROUNDS):
        if minimum.converged:
            break
        # Near a singular covariance the surface is flatter than a parabola; Newton alone creeps.
        again = polish(function, descend(function, minimum.parameters, tolerance * 1e-4))
        minimum = min(again, minimum, key=lambda found: found.value)
    return with_exact_zeros(function, minimum, diagonal)


def with_exact_zeros(function: Smooth, minimum: Minimum, diagonal: Array) -> Minimum:
    """Return the minimum with every standard deviation that makes no difference set to zero."""
    at = minimum.parameters.copy()
    for j in diagonal:
        without = at.copy()
        without[j] = 0.0
        if at[j] != 0.0 and function.value(without) <= minimum.value + ZERO_TOLERANCE:
            at = without
    if np.array_equal(at, minimum.parameters):
        return minimum
    zeroed = polish(function, at)
    return zeroed if zeroed.value <= minimum.value + ZERO_TOLERANCE else minimum


def _newton_step(slope: Array, curvature: Array) -> tuple[Array, float, bool]:
    """Return a descent step, the gain it promises, and whether the surface bends downwards."""
    values, vectors = np.linalg.eigh(curvature)
    largest = max(float(np.max(np.abs(values))), 1e-12)
    along = vectors.T @ slope
    bent = np.abs(values) > 1e-9 * largest
    concave = bool(np.any(values < -1e-5 * largest))
    size = np.where(bent, np.abs(values), largest)
    moves = -along / size
    if concave:
        # On a ridge the slope may vanish: leave it along the most downward bend.
        worst = int(np.argmin(values))
        if abs(moves[worst]) < 1e-3:
            moves[worst] = -0.1 if along[worst] > 0 else 0.1
    # Far from the minimum the surface is not a parabola: no step longer than all parameters are.
    moves *= min(1.0, LONGEST_STEP / max(float(np.linalg.norm(moves)), 1e-300))
    return vectors @ moves, float(0.5 * np.sum(along**2 / size)), concave


def _damped(function: Smooth, at: Array, step: Array, value: float) -> tuple[Array, float]:
    length = 1.0
    for _ in range(30):
        moved = at + length * step
        lower = function.value(moved)
        if lower < value:
            return moved, lower
        length *= 0.5
    return at, value
