"""Newton's method with step halving for partial likelihoods, with a watch for divergence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Generic, Protocol, TypeVar

import numpy as np

from analysis.survival.checks import Floats
from analysis.survival.linear import symmetric_inverse

# Newton decrement (twice the gain in log-likelihood still to be had) at which a fit is done:
# every coefficient is then within 1e-9 of its standard error.
DECREMENT = 1e-18
# A step that can no longer raise the likelihood, for rounding, is at the maximum below this.
ROUNDED_DECREMENT = 1e-9
# Divergence is suspected when almost no likelihood is left to gain and the step is still long.
SUSPECT_DECREMENT = 1e-6
# A diverging fit stops here: its other coefficients are then final to about six digits.
DIVERGED_DECREMENT = 1e-12
HALVINGS = 30
# Largest spread of the linear predictor: beyond it the risks of one stratum no longer fit
# into one floating-point range.
LARGEST_SPREAD = 500.0
# Spread from which a maximum is checked once more: e^30 between two rows is no hazard ratio.
IMPLAUSIBLE_SPREAD = 30.0


class Evaluated(Protocol):
    """A likelihood at one coefficient vector with its derivatives."""

    @property
    def log_likelihood(self) -> float:
        """Value."""

    @property
    def score(self) -> Floats:
        """Gradient (p,)."""

    @property
    def information(self) -> Floats:
        """Negative Hessian (p, p)."""


Likelihood = TypeVar("Likelihood", bound=Evaluated)


@dataclass(frozen=True, eq=False)
class Maximum(Generic[Likelihood]):
    """Where Newton's method ended.

    ``diverging`` names the coefficients that run off to infinity, if any do.
    """

    beta: Floats
    at_zero: Likelihood
    at_beta: Likelihood
    iterations: int
    converged: bool
    diverging: tuple[str, ...]


@dataclass(frozen=True)
class Problem(Generic[Likelihood]):
    """A concave log-likelihood.

    Attributes
    ----------
    evaluate : likelihood at a coefficient vector
    spread : spread of the linear predictor over rows at a coefficient vector
    divergence : names of the coefficients that diverge along a Newton step, empty if none
    separated : the same without a step to start from; exact and slower, asked only when a climb
        has not converged, or has converged at an implausible spread
    """

    evaluate: Callable[[Floats], Likelihood]
    spread: Callable[[Floats], float]
    divergence: Callable[[Floats], tuple[str, ...]]
    separated: Callable[[], tuple[str, ...]]


def maximise(
    problem: Problem[Likelihood], at_zero: Likelihood, max_iterations: int
) -> Maximum[Likelihood]:
    """Climb from zero; always returns, with ``converged`` telling how it ended."""
    top = _climb(problem, at_zero, max_iterations)
    if top.diverging or (top.converged and problem.spread(top.beta) < IMPLAUSIBLE_SPREAD):
        return top
    diverging = problem.separated()
    return replace(top, diverging=diverging, converged=top.converged and not diverging)


def _climb(
    problem: Problem[Likelihood], at_zero: Likelihood, max_iterations: int
) -> Maximum[Likelihood]:
    beta = np.zeros(at_zero.score.size)
    current = at_zero
    diverging: tuple[str, ...] = ()
    for iteration in range(max_iterations):
        step = symmetric_inverse(current.information) @ current.score
        decrement = float(step @ current.score)
        if decrement <= DECREMENT:
            return Maximum(beta, at_zero, current, iteration, not diverging, diverging)
        candidate = beta + step
        too_far = problem.spread(candidate) > LARGEST_SPREAD
        if not diverging and (too_far or decrement < SUSPECT_DECREMENT):
            diverging = problem.divergence(step)
        if diverging and (too_far or decrement < DIVERGED_DECREMENT):
            return Maximum(beta, at_zero, current, iteration, False, diverging)
        moved = None if too_far else _accepted(problem, candidate, current)
        if moved is None:
            moved = _rise(problem, beta, step / 2, current)
        if moved is None:
            done = decrement < ROUNDED_DECREMENT and not diverging
            return Maximum(beta, at_zero, current, iteration, done, diverging)
        beta, current = moved
    return Maximum(beta, at_zero, current, max_iterations, False, diverging)


def _rise(
    problem: Problem[Likelihood], beta: Floats, step: Floats, current: Likelihood
) -> tuple[Floats, Likelihood] | None:
    """Take the longest halved step that does not lower the likelihood; None if there is none."""
    for _ in range(HALVINGS):
        candidate = beta + step
        if problem.spread(candidate) <= LARGEST_SPREAD:
            moved = _accepted(problem, candidate, current)
            if moved is not None:
                return moved
        step = step / 2
    return None


def _accepted(
    problem: Problem[Likelihood], candidate: Floats, current: Likelihood
) -> tuple[Floats, Likelihood] | None:
    """Return the candidate and what it reaches; None if that lowers the likelihood."""
    reached = problem.evaluate(candidate)
    lowest = current.log_likelihood - 1e-13 * abs(current.log_likelihood)
    return (candidate, reached) if reached.log_likelihood >= lowest else None
