"""Cox regression with Firth's penalty: finite estimates and intervals from few events.

The partial likelihood is multiplied by the root of the determinant of its information (Jeffreys
prior), which removes the first-order bias and keeps a monotone likelihood finite.
Sources: Firth 1993; Heinze & Schemper 2001; intervals by the penalised profile likelihood.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.survival.checks import Floats, Integers
from analysis.survival.cox import refuse_unidentifiable
from analysis.survival.cox_likelihood import (
    PartialLikelihood,
    hazard_exposure,
    partial_likelihood,
)
from analysis.survival.cox_sample import CoxSample, Ties
from analysis.survival.intervals import normal_quantile
from analysis.survival.linear import ChiSquareTest, symmetric_inverse
from analysis.survival.newton import HALVINGS, LARGEST_SPREAD, ROUNDED_DECREMENT

DECREMENT = 1e-18
# Log hazard ratio, over the covariate's scale, beyond which a profile limit counts as infinite.
FARTHEST = 200.0
# Share of the largest information below which another is only rounding.
LOST = 1e-13
LIMIT_STEPS = 100


@dataclass(frozen=True, eq=False)
class FirthFit:
    """A fitted Firth-penalised Cox model.

    Attributes
    ----------
    coefficients, covariance : (p,) and (p, p); the covariance is the inverse information of
        the unpenalised likelihood at the penalised estimate
    lower, upper : (p,) penalised profile-likelihood limits; infinite where there is none, NaN
        where the profile could not be followed (very few events)
    tests : penalised likelihood-ratio test of each coefficient (do not use Wald: a likelihood
        that is monotone without the penalty is far from quadratic)
    log_likelihood_null, log_likelihood : penalised; only differences have a meaning, because
        the penalty depends on the units of the covariates (here: standardised)
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    lower: Floats
    upper: Floats
    level: float
    tests: tuple[ChiSquareTest, ...]
    log_likelihood_null: float
    log_likelihood: float
    likelihood_ratio: ChiSquareTest
    iterations: int
    converged: bool
    ties: Ties
    n: int
    n_events: int

    @property
    def standard_errors(self) -> Floats:
        """Model-based standard errors (p,)."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, eq=False)
class FirthEstimate:
    """The penalised maximum alone: coefficients (p,) and covariance (p, p), without profiles."""

    coefficients: Floats
    covariance: Floats
    converged: bool

    @property
    def standard_errors(self) -> Floats:
        """Model-based standard errors (p,)."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, eq=False)
class _Maximum:
    beta: Floats
    value: float
    gradient: Floats
    information: Floats
    iterations: int
    converged: bool


def maximise_firth(
    sample: CoxSample, *, ties: Ties = "breslow", max_iterations: int = 100
) -> FirthEstimate:
    """Maximise the penalised partial likelihood without profiles, for many refits.

    Raises
    ------
    NotIdentifiableError : as :func:`fit_firth`
    """
    full = _full(sample, ties, max_iterations)
    covariance = symmetric_inverse(full.information) / np.outer(sample.scale, sample.scale)
    return FirthEstimate(full.beta / sample.scale, covariance, full.converged)


def fit_firth(
    sample: CoxSample, *, ties: Ties = "breslow", level: float = 0.95, max_iterations: int = 100
) -> FirthFit:
    """Maximise the penalised partial likelihood and profile each coefficient.

    Parameters
    ----------
    sample : from :func:`analysis.survival.cox_sample.cox_sample`
    ties : Breslow as in the published method; Efron is penalised with its own information
    level : of the profile-likelihood intervals

    Raises
    ------
    NotIdentifiableError : a covariate is constant, or a combination of others, in every risk set
    """
    p = len(sample.names)
    full = _full(sample, ties, max_iterations)
    null, _, _ = _penalised(sample, np.zeros(p), ties)
    covariance = symmetric_inverse(full.information)
    errors = np.sqrt(np.diag(covariance))
    root = normal_quantile(level)
    limits = np.empty((p, 2))
    tests = []
    for k in range(p):
        profile = _profile(sample, ties, full, k, max_iterations)
        tests.append(_test_of_zero(profile))
        for side, sign in enumerate((-1.0, 1.0)):
            limits[k, side] = _limit(profile, full.beta[k], sign * root * errors[k], root**2)
    return FirthFit(
        names=sample.names,
        coefficients=full.beta / sample.scale,
        covariance=covariance / np.outer(sample.scale, sample.scale),
        lower=limits[:, 0] / sample.scale,
        upper=limits[:, 1] / sample.scale,
        level=level,
        tests=tuple(tests),
        log_likelihood_null=null,
        log_likelihood=full.value,
        likelihood_ratio=ChiSquareTest.of(2 * (full.value - null), p),
        iterations=full.iterations,
        converged=full.converged,
        ties=ties,
        n=sample.n,
        n_events=sample.n_events,
    )


def _full(sample: CoxSample, ties: Ties, max_iterations: int) -> _Maximum:
    """Return the maximum over all coefficients."""
    p = len(sample.names)
    refuse_unidentifiable(sample, partial_likelihood(sample, np.zeros(p), ties).information)
    return _maximise(sample, ties, np.zeros(p), np.arange(p), max_iterations)


def _penalised(sample: CoxSample, beta: Floats, ties: Ties) -> tuple[float, Floats, Floats]:
    """Return penalised log-likelihood, its gradient (p,) and the unpenalised information."""
    at = partial_likelihood(sample, beta, ties)
    own = np.diag(at.information)
    sign, determinant = np.linalg.slogdet(at.information)
    # Far out, the information is lost to rounding; there the penalty is beyond all limits.
    if sign <= 0 or own.min() <= LOST * own.max():
        return -np.inf, at.score, at.information
    gradient = at.score + _penalty_gradient(sample, at, ties) / 2
    return at.log_likelihood + float(determinant) / 2, gradient, at.information


def _penalty_gradient(sample: CoxSample, at: PartialLikelihood, ties: Ties) -> Floats:
    """Return the gradient (p,) of the log determinant of the information.

    It is the trace of V times the third central moments at each step, V the inverse information.
    With q = x' V x and m the mean at risk, the k-th trace at a step is
    E[q x_k] - E[q] m_k - 2 (E[x_k x'] V m - m_k m' V m), and each sum over steps of an
    expectation is a sum over rows weighted with their exposure.
    """
    X, weights = sample.standardised, sample.step_weights
    fractions = sample.tie_fractions(ties)
    V = symmetric_inverse(at.information)
    XV = X @ V
    q = np.einsum("ij,ij->i", XV, X)
    mean_exposure = hazard_exposure(sample, at.hazards[:, None] * at.means, fractions)
    rows = at.risk * (at.exposure * q - 2 * np.einsum("ij,ij->i", XV, mean_exposure))
    expected_q = _step_means(sample, at, q, ties)
    quadratic = np.einsum("ij,jk,ik->i", at.means, V, at.means)
    return rows @ X - (weights * (expected_q - 2 * quadratic)) @ at.means


def _step_means(sample: CoxSample, at: PartialLikelihood, values: Floats, ties: Ties) -> Floats:
    """Average ``values`` (m,) over those at risk at each step (E,)."""
    sets = sample.risk_sets
    weighted = (at.risk * values)[:, None]
    sums = sets.sum_at_risk(weighted)[sets.death_sets, 0]
    fractions = sample.tie_fractions(ties)
    if fractions is not None:
        sums = sums - fractions * sets.sum_of_deaths(weighted[sets.deaths])[sets.death_sets, 0]
    return sums * at.hazards / sample.step_weights


def _maximise(
    sample: CoxSample, ties: Ties, beta: Floats, free: Integers, max_iterations: int
) -> _Maximum:
    """Maximise over the coefficients ``free``; the others stay as in ``beta``.

    The penalty has its own curvature, so the inverse information only starts the inverse Hessian;
    each step then improves it (BFGS). The gradient that ends the climb is exact.
    """
    value, gradient, information = _penalised(sample, beta, ties)
    inverse = symmetric_inverse(information[np.ix_(free, free)])
    for iteration in range(max_iterations):
        step = np.zeros_like(beta)
        step[free] = inverse @ gradient[free]
        decrement = float(step @ gradient)
        if decrement <= DECREMENT:
            return _Maximum(beta, value, gradient, information, iteration, True)
        moved = _rise(sample, ties, beta, step, value)
        if moved is None:
            return _Maximum(
                beta, value, gradient, information, iteration, decrement < ROUNDED_DECREMENT
            )
        candidate, reached = moved
        inverse = _updated(inverse, (candidate - beta)[free], (gradient - reached[1])[free])
        beta, (value, gradient, information) = candidate, reached
    return _Maximum(beta, value, gradient, information, max_iterations, False)


def _updated(inverse: Floats, moved: Floats, bent: Floats) -> Floats:
    """Return the BFGS update of an inverse Hessian; unchanged where it would lose its sign."""
    curvature = float(moved @ bent)
    if curvature <= 1e-12 * float(np.linalg.norm(moved) * np.linalg.norm(bent)):
        return inverse
    turn = np.eye(moved.size) - np.outer(moved, bent) / curvature
    return np.asarray(turn @ inverse @ turn.T + np.outer(moved, moved) / curvature)


def _rise(
    sample: CoxSample, ties: Ties, beta: Floats, step: Floats, value: float
) -> tuple[Floats, tuple[float, Floats, Floats]] | None:
    for _ in range(HALVINGS):
        candidate = beta + step
        if np.ptp(sample.standardised @ candidate) <= LARGEST_SPREAD:
            reached = _penalised(sample, candidate, ties)
            if reached[0] >= value - 1e-13 * abs(value):
                return candidate, reached
        step = step / 2
    return None


def _test_of_zero(profile: Callable[[float], tuple[float, float]]) -> ChiSquareTest:
    try:
        return ChiSquareTest.of(-profile(0.0)[0], 1)
    except _StalledError:
        return ChiSquareTest(math.nan, 1, math.nan)


class _StalledError(Exception):
    """The other coefficients could not be maximised at some value of the profiled one."""


def _with(beta: Floats, k: int, value: float) -> Floats:
    changed = beta.copy()
    changed[k] = value
    return changed


def _profile(
    sample: CoxSample, ties: Ties, full: _Maximum, k: int, max_iterations: int
) -> Callable[[float], tuple[float, float]]:
    """Return the function of coefficient k: minus twice the loss of likelihood, and its slope."""
    free = np.array([j for j in range(full.beta.size) if j != k], dtype=np.intp)
    last = full.beta.copy()

    def loss(b: float) -> tuple[float, float]:
        nonlocal last
        best = _maximise(sample, ties, _with(last, k, b), free, max_iterations)
        if not best.converged:
            # A warm start from a far point can stall on a ridge; the maximum is a second chance.
            cold = _maximise(sample, ties, _with(full.beta, k, b), free, max_iterations)
            best = cold if cold.value > best.value else best
        last = best.beta
        if not best.converged:
            raise _StalledError
        return 2 * (best.value - full.value), 2 * float(best.gradient[k])

    return loss


def _limit(
    profile: Callable[[float], tuple[float, float]], estimate: float, step: float, drop: float
) -> float:
    """Find where the profile has lost ``drop``, going from the estimate in the step's direction.

    The limit is bracketed first; Newton's method then homes in, bisecting when it would leave
    the bracket. NaN when the profile cannot be followed that far (very few events).
    """
    try:
        return _followed_limit(profile, estimate, step, drop)
    except _StalledError:
        return math.nan


def _followed_limit(
    profile: Callable[[float], tuple[float, float]], estimate: float, step: float, drop: float
) -> float:
    inner, outer = estimate, estimate + step
    height, slope = profile(outer)
    while height > -drop:
        inner, step = outer, step * 1.5
        outer = inner + step
        if abs(outer) > FARTHEST:
            return float(np.copysign(np.inf, step))
        height, slope = profile(outer)
    at = outer
    for _ in range(LIMIT_STEPS):
        if abs(height + drop) <= 1e-11 * drop or abs(outer - inner) <= 1e-12 * abs(outer):
            break
        at = at - (height + drop) / slope if slope != 0 else np.inf
        if not min(inner, outer) < at < max(inner, outer):
            at = (inner + outer) / 2
        height, slope = profile(at)
        inner, outer = (at, outer) if height > -drop else (inner, at)
    return float(at)
