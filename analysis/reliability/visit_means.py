"""Variance components of athletes, visits and trials by REML, for many outcomes at once.

    value = fixed columns + athlete + visit in athlete + trial

Where the fixed columns are the same for all trials of a visit, the means of the visits and the sum
of squares within them hold all information (Searle, Casella & McCulloch 1992, Variance Components,
section 3.3): a mean varies about its athlete by visit + trial / n, the sum of squares is
trial * chi-squared. Athletes with equal numbers of trials share a covariance matrix, so that sums
over athletes are taken once, and hundreds of outcomes on one design cost as much as a few fits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]

ITERATIONS = 60
HALVINGS = 12
# Central differences of a deviance of some 1e3: error 1e-6 in the slope, 1e-5 in the curvature.
DIFFERENCE = 1e-3
CONVERGED_STEP = 1e-6
LARGEST_STEP = 1.0
SMALLEST_CURVATURE = 1e-6
# Relative deviations below this are compared with exactly none.
NEARLY_NONE = 1e-2
# Differences of a deviance that are rounding.
ROUNDING = 1e-9


@dataclass(frozen=True)
class Pattern:
    """Athletes with the same numbers of trials.

    Attributes
    ----------
    trials : (k,) trials of each visit
    visits : (a, k) places of the visits of each athlete
    """

    trials: Array
    visits: Array


@dataclass(frozen=True)
class VisitDesign:
    """Visits of athletes.

    Attributes
    ----------
    fixed : (m, p) orthonormal columns that span the fixed columns, one row per visit
    trials : (m,) trials of each visit
    athletes : (m,) number of the athlete of each visit
    """

    fixed: Array
    trials: Array
    athletes: Array
    patterns: tuple[Pattern, ...]

    @property
    def rows(self) -> int:
        """Trials of all visits."""
        return int(self.trials.sum())

    @property
    def has_repeats(self) -> bool:
        """Whether any athlete has more than one visit."""
        return any(pattern.trials.size > 1 for pattern in self.patterns)


@dataclass(frozen=True)
class VisitData:
    """Outcomes on a design: means (b, m) of the visits, sums of squares (b,) within them."""

    means: Array
    within: Array


def visit_design(fixed: ArrayLike, athletes: ArrayLike, visits: ArrayLike) -> VisitDesign:
    """Return the design of (n, p) fixed columns and (n,) labels of athletes and their visits.

    Raises
    ------
    ValueError
        A fixed column changes within a visit, or the columns are collinear.
    """
    columns = np.asarray(fixed, dtype=float)
    _, athlete = np.unique(np.asarray(athletes), return_inverse=True)
    _, occasion = np.unique(np.asarray(visits), return_inverse=True)
    pairs, first, inverse, trials = np.unique(
        np.column_stack([athlete, occasion]),
        axis=0,
        return_index=True,
        return_inverse=True,
        return_counts=True,
    )
    if not np.array_equal(columns, columns[first][inverse.ravel()]):
        raise ValueError("a fixed column changes between the trials of a visit")
    kept = columns[first]
    if np.linalg.matrix_rank(kept) < kept.shape[1]:
        raise ValueError("the fixed columns are collinear")
    # Trials weigh the visits roughly as the model does, so the columns stay well conditioned.
    span = np.linalg.qr(np.sqrt(trials)[:, None] * kept)[0] / np.sqrt(trials)[:, None]
    return VisitDesign(span, trials.astype(float), pairs[:, 0], _patterns(pairs[:, 0], trials))


def _patterns(athletes: Array, trials: Array) -> tuple[Pattern, ...]:
    found: dict[tuple[int, ...], list[Array]] = {}
    for places in np.split(np.arange(athletes.size), np.flatnonzero(np.diff(athletes)) + 1):
        # The order of an athlete's visits plays no part in the model.
        ordered = places[np.argsort(trials[places], kind="stable")]
        found.setdefault(tuple(int(n) for n in trials[ordered]), []).append(ordered)
    return tuple(
        Pattern(np.array(numbers, dtype=float), np.array(visits))
        for numbers, visits in sorted(found.items(), key=lambda item: item[0])
    )


def visit_data(design: VisitDesign, values: ArrayLike, visit_of_row: ArrayLike) -> VisitData:
    """Return the data of one outcome (n,) from the place (n,) of each row's visit."""
    outcome, place = np.asarray(values, dtype=float), np.asarray(visit_of_row)
    means = np.bincount(place, outcome, design.trials.size) / design.trials
    return VisitData(means[None, :], np.array([np.sum((outcome - means[place]) ** 2)]))


def fit_visit_means(design: VisitDesign, data: VisitData, start: ArrayLike) -> tuple[Array, Array]:
    """Return standard deviations (b, 3) of athlete, visit and trial, and (b,) which converged.

    Parameters
    ----------
    start
        Deviations of athlete and visit over that of the trials, where the search begins. A
        component that starts at zero stays there, because the deviance is even in it: zero is how
        a design without second visits leaves the visit out.
    """
    deviance = _Deviance(design, data)
    at = np.tile(np.asarray(start, dtype=float), (data.within.size, 1))
    converged = np.zeros(len(at), dtype=bool)
    for _ in range(ITERATIONS):
        moving = np.flatnonzero(~converged)
        if moving.size == 0:
            break
        moved, size = _newton_step(deviance.of(moving), at[moving])
        at[moving] = moved
        converged[moving] = size < CONVERGED_STEP
    at = _with_exact_zeros(deviance, np.abs(at))
    trial = np.sqrt(deviance.squares(at) / deviance.free)
    return np.column_stack([at * trial[:, None], trial]), converged


class _Deviance:
    """-2 log restricted likelihood without constants, the trials' variance profiled out."""

    def __init__(self, design: VisitDesign, data: VisitData) -> None:
        self.free = design.rows - design.fixed.shape[1]
        self._within = data.within
        self._patterns = design.patterns
        fixed = [design.fixed[pattern.visits] for pattern in design.patterns]
        means = [data.means[:, pattern.visits] for pattern in design.patterns]
        self._xx = [np.einsum("ajp,akq->jkpq", x, x) for x in fixed]
        self._xy = [np.einsum("ajp,bak->bjkp", x, y) for x, y in zip(fixed, means, strict=True)]
        self._yy = [np.einsum("baj,bak->bjk", y, y) for y in means]

    def of(self, chosen: Array) -> _Deviance:
        """Return the deviance of some of the outcomes."""
        part = object.__new__(_Deviance)
        part.free, part._patterns, part._xx = self.free, self._patterns, self._xx
        part._within = self._within[chosen]
        part._xy = [products[chosen] for products in self._xy]
        part._yy = [products[chosen] for products in self._yy]
        return part

    def _parts(self, at: Array) -> tuple[Array, Array, Array]:
        """Return residual squares (b,), log determinants (b,) and information (b, p, p)."""
        athlete, visit = np.square(at).T
        logs, squares = np.zeros(len(at)), self._within.copy()
        width = self._xx[0].shape[-1]
        information, score = np.zeros((len(at), width, width)), np.zeros((len(at), width))
        for place, pattern in enumerate(self._patterns):
            spread = visit[:, None] + 1.0 / pattern.trials
            weight = 1.0 / spread
            together = 1.0 + athlete * weight.sum(axis=1)
            inverse = -(athlete / together)[:, None, None] * weight[:, :, None] * weight[:, None, :]
            step = np.arange(pattern.trials.size)
            inverse[:, step, step] += weight
            logs += len(pattern.visits) * (np.log(spread).sum(axis=1) + np.log(together))
            information += np.einsum("bjk,jkpq->bpq", inverse, self._xx[place], optimize=True)
            score += np.einsum("bjk,bjkp->bp", inverse, self._xy[place])
            squares += np.einsum("bjk,bjk->b", inverse, self._yy[place])
        fitted = np.linalg.solve(information, score[:, :, None])[:, :, 0]
        return squares - np.sum(score * fitted, axis=1), logs, information

    def squares(self, at: Array) -> Array:
        """Return (b,) the residual squares whose mean is the variance of the trials."""
        return self._parts(at)[0]

    def __call__(self, at: Array) -> Array:
        """Return (b,) deviances at relative deviations (b, 2)."""
        squares, logs, information = self._parts(at)
        value: Array = self.free * np.log(squares) + logs + np.linalg.slogdet(information)[1]
        return value


def _slopes(deviance: _Deviance, at: Array) -> tuple[Array, Array, Array]:
    """Return value (b,), gradient (b, 2) and Hessian (b, 2, 2) by central differences."""
    steps = np.eye(2) * DIFFERENCE
    value = deviance(at)
    ahead, behind = ([deviance(at + sign * step) for step in steps] for sign in (1, -1))
    gradient = (np.column_stack(ahead) - np.column_stack(behind)) / (2 * DIFFERENCE)
    hessian = np.empty((len(at), 2, 2))
    for k in range(2):
        hessian[:, k, k] = (ahead[k] - 2 * value + behind[k]) / DIFFERENCE**2
    both, apart = steps[0] + steps[1], steps[0] - steps[1]
    crossed = (
        deviance(at + both) + deviance(at - both) - deviance(at + apart) - deviance(at - apart)
    )
    hessian[:, 0, 1] = hessian[:, 1, 0] = crossed / (4 * DIFFERENCE**2)
    return value, gradient, hessian


def _newton_step(deviance: _Deviance, at: Array) -> tuple[Array, Array]:
    """Return the next points (b, 2) and the length (b,) of the full steps towards them."""
    value, gradient, hessian = _slopes(deviance, at)
    # A component at zero has no slope by symmetry; rounding must not push it off.
    gradient = np.where(at == 0.0, 0.0, gradient)
    hessian[:, 0, 1] = hessian[:, 1, 0] = np.where((at == 0.0).any(axis=1), 0.0, hessian[:, 0, 1])
    values, vectors = np.linalg.eigh(hessian)
    curvature = np.maximum(np.abs(values), SMALLEST_CURVATURE)
    turned = np.einsum("bij,bi->bj", vectors, gradient) / curvature
    step = -np.einsum("bij,bj->bi", vectors, turned)
    length = np.linalg.norm(step, axis=1)
    step *= np.minimum(1.0, LARGEST_STEP / np.maximum(length, 1e-300))[:, None]
    share, waiting = np.ones(len(at)), np.ones(len(at), dtype=bool)
    for _ in range(HALVINGS):
        waiting = deviance(at + share[:, None] * step) > value + ROUNDING
        waiting &= length > CONVERGED_STEP
        if not waiting.any():
            break
        share = np.where(waiting, share / 2, share)
    # No way down along the step: the point is as low as rounding can tell.
    share[waiting] = 0.0
    return at + share[:, None] * step, np.where(waiting, 0.0, length)


def _with_exact_zeros(deviance: _Deviance, at: Array) -> Array:
    """Return the points with components set to zero where that is no worse."""
    for component in range(2):
        zeroed = at.copy()
        zeroed[:, component] = 0.0
        small = at[:, component] < NEARLY_NONE
        if small.any():
            better = small & (deviance(zeroed) <= deviance(at) + ROUNDING)
            at = np.where(better[:, None], zeroed, at)
    return at
