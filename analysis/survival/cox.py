"""Cox proportional-hazards regression by Newton's method.

Newton steps are halved until the likelihood rises, on covariates that are centred and scaled
inside, so units and offsets of the covariates do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Floats, group_codes
from analysis.survival.cox_likelihood import PartialLikelihood, partial_likelihood
from analysis.survival.cox_sample import CoxSample, Ties
from analysis.survival.errors import NotIdentifiableError
from analysis.survival.linear import (
    ChiSquareTest,
    chi_square_test,
    dependent_column,
    symmetric_inverse,
)
from analysis.survival.monotone import diverging_terms, rises_forever
from analysis.survival.score_residuals import weighted_scores

# Newton decrement (twice the gain in log-likelihood still to be had) at which a fit is done:
# every coefficient is then within 1e-9 of its standard error.
DECREMENT = 1e-18
# Divergence is suspected when a step would still move the hazard ratio over a covariate's range
# by this log although almost no likelihood is left to gain.
SUSPECT_DECREMENT = 1e-6
SUSPECT_LOG_RATIO = 0.5
# A diverging fit stops here: its other coefficients are then final to about six digits.
DIVERGED_DECREMENT = 1e-12
HALVINGS = 30
# Largest spread of the linear predictor: beyond it the risks of one stratum no longer fit
# into one floating-point range.
LARGEST_SPREAD = 500.0


@dataclass(frozen=True, eq=False)
class CoxFit:
    """A fitted Cox model.

    Attributes
    ----------
    names : covariates, in the order of all arrays below
    coefficients : (p,) log hazard ratio per unit of each covariate
    covariance : (p, p) inverse information
    robust_covariance : (p, p) sandwich over rows or clusters; None unless asked for
    log_likelihood_null, log_likelihood : log partial likelihood at zero and at the estimate
    likelihood_ratio, wald, score, robust_score : tests that all coefficients are zero;
        ``wald`` uses the robust covariance when there is one, as R does
    iterations : Newton steps
    converged : False when the iterations ended without a maximum or the likelihood is monotone
    monotone : True when the likelihood rises for ever; ``diverging`` names the terms. Their
        coefficients, errors and Wald tests mean nothing (use the Firth penalty)
    ties : ``efron`` or ``breslow``
    n, n_events, n_clusters : rows, events and clusters (None when not clustered)
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    robust_covariance: Floats | None
    log_likelihood_null: float
    log_likelihood: float
    likelihood_ratio: ChiSquareTest
    wald: ChiSquareTest
    score: ChiSquareTest
    robust_score: ChiSquareTest | None
    iterations: int
    converged: bool
    monotone: bool
    diverging: tuple[str, ...]
    ties: Ties
    n: int
    n_events: int
    n_clusters: int | None

    @property
    def standard_errors(self) -> Floats:
        """Model-based standard errors (p,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def robust_standard_errors(self) -> Floats:
        """Robust standard errors (p,); raises when the fit was made without them."""
        if self.robust_covariance is None:
            raise ValueError("this fit has no robust covariance: fit with robust=True or a cluster")
        return np.sqrt(np.diag(self.robust_covariance))

    @property
    def variance(self) -> Floats:
        """The covariance to infer with: robust when there is one, else model-based."""
        return self.covariance if self.robust_covariance is None else self.robust_covariance


@dataclass(frozen=True, eq=False)
class _Maximum:
    beta: Floats
    at_zero: PartialLikelihood
    at_beta: PartialLikelihood
    iterations: int
    converged: bool
    diverging: tuple[str, ...]


def fit_cox(
    sample: CoxSample,
    *,
    ties: Ties = "efron",
    robust: bool = False,
    cluster: ArrayLike | None = None,
    max_iterations: int = 60,
) -> CoxFit:
    """Maximise the partial likelihood.

    Parameters
    ----------
    sample : from :func:`analysis.survival.cox_sample.cox_sample`
    ties : handling of tied event times
    robust : add the sandwich covariance over rows (Lin & Wei 1989); no small-sample factor
    cluster : (n,) labels; the sandwich is then summed over clusters (implies ``robust``)
    max_iterations : Newton steps before the fit is returned with ``converged=False``

    Raises
    ------
    NotIdentifiableError : a covariate is constant, or a combination of others, in every risk set
    """
    maximum = _maximise(sample, ties, max_iterations)
    inverse = symmetric_inverse(maximum.at_beta.information)
    robust_covariance, robust_score, n_clusters = None, None, None
    if robust or cluster is not None:
        codes = None
        if cluster is not None:
            labels, codes = group_codes(cluster, sample.n, "cluster")
            n_clusters = labels.size
        scores = weighted_scores(sample, maximum.at_beta, ties, codes)
        robust_covariance = _unscale(inverse @ (scores.T @ scores) @ inverse, sample)
        null_scores = weighted_scores(sample, maximum.at_zero, ties, codes)
        robust_score = chi_square_test(maximum.at_zero.score, null_scores.T @ null_scores)
    coefficients = maximum.beta / sample.scale
    covariance = _unscale(inverse, sample)
    null, fitted = maximum.at_zero, maximum.at_beta
    return CoxFit(
        names=sample.names,
        coefficients=coefficients,
        covariance=covariance,
        robust_covariance=robust_covariance,
        log_likelihood_null=null.log_likelihood,
        log_likelihood=fitted.log_likelihood,
        likelihood_ratio=ChiSquareTest.of(
            2 * (fitted.log_likelihood - null.log_likelihood), len(sample.names)
        ),
        wald=chi_square_test(
            coefficients, covariance if robust_covariance is None else robust_covariance
        ),
        score=chi_square_test(null.score, null.information),
        robust_score=robust_score,
        iterations=maximum.iterations,
        converged=maximum.converged,
        monotone=bool(maximum.diverging),
        diverging=maximum.diverging,
        ties=ties,
        n=sample.n,
        n_events=sample.n_events,
        n_clusters=n_clusters,
    )


def _unscale(covariance: Floats, sample: CoxSample) -> Floats:
    return covariance / np.outer(sample.scale, sample.scale)


def _maximise(sample: CoxSample, ties: Ties, max_iterations: int) -> _Maximum:
    beta = np.zeros(len(sample.names))
    current = null = partial_likelihood(sample, beta, ties)
    refuse_unidentifiable(sample, null.information)
    reach = np.ptp(sample.standardised, axis=0)
    diverging: tuple[str, ...] = ()
    for iteration in range(max_iterations + 1):
        step = symmetric_inverse(current.information) @ current.score
        decrement = float(step @ current.score)
        if decrement <= DECREMENT:
            return _Maximum(beta, null, current, iteration, not diverging, diverging)
        too_far = _spread(sample, beta + step) > LARGEST_SPREAD
        if not diverging and (too_far or decrement < SUSPECT_DECREMENT):
            diverging = _divergence(sample, step, reach)
        if diverging and (too_far or decrement < DIVERGED_DECREMENT):
            return _Maximum(beta, null, current, iteration, False, diverging)
        moved = _rise(sample, beta, step, current, ties)
        if moved is None:
            return _Maximum(beta, null, current, iteration, decrement < 1e-9, diverging)
        beta, current = moved
    return _Maximum(beta, null, current, max_iterations, False, diverging)


def _spread(sample: CoxSample, beta: Floats) -> float:
    return float(np.ptp(sample.standardised @ beta))


def _divergence(sample: CoxSample, step: Floats, reach: Floats) -> tuple[str, ...]:
    """Name the covariates that run off to infinity along the Newton step, if any do."""
    log_ratio = np.abs(step) * reach
    if log_ratio.max() <= SUSPECT_LOG_RATIO:
        return ()
    direction = np.where(log_ratio > 0.01 * log_ratio.max(), step, 0.0)
    return diverging_terms(sample, direction) if rises_forever(sample, direction) else ()


def _rise(
    sample: CoxSample, beta: Floats, step: Floats, current: PartialLikelihood, ties: Ties
) -> tuple[Floats, PartialLikelihood] | None:
    """Take the longest halved step that does not lower the likelihood; None if there is none."""
    rounding = 1e-13 * abs(current.log_likelihood)
    for _ in range(HALVINGS):
        candidate = beta + step
        if _spread(sample, candidate) <= LARGEST_SPREAD:
            reached = partial_likelihood(sample, candidate, ties)
            if reached.log_likelihood >= current.log_likelihood - rounding:
                return candidate, reached
        step = step / 2
    return None


def refuse_unidentifiable(sample: CoxSample, information: Floats) -> None:
    """Refuse when the information at zero is singular, and name the guilty covariate.

    That is exactly when a combination of covariates is constant within every risk set.
    """
    k, others = dependent_column(information)
    if k is None:
        return
    name = sample.names[k]
    if not others:
        raise NotIdentifiableError(
            f"covariate {name!r} does not vary among those at risk at any event time; leave it out"
        )
    raise NotIdentifiableError(
        f"covariate {name!r} is a combination of {', '.join(sample.names[o] for o in others)} "
        "among those at risk at every event time; leave one of them out"
    )
