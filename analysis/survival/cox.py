"""Cox proportional-hazards regression by Newton's method.

Newton steps are halved until the likelihood rises, on covariates that are centred and scaled
inside, so units and offsets of the covariates do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Floats, group_codes
from analysis.survival.cox_likelihood import partial_likelihood
from analysis.survival.cox_sample import CoxSample, Ties
from analysis.survival.errors import NotIdentifiableError
from analysis.survival.linear import (
    ChiSquareTest,
    chi_square_test,
    dependent_column,
    symmetric_inverse,
)
from analysis.survival.monotone import divergence_along, separated_terms
from analysis.survival.newton import Problem, maximise
from analysis.survival.score_residuals import weighted_scores


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
    at_zero = partial_likelihood(sample, np.zeros(len(sample.names)), ties)
    refuse_unidentifiable(sample, at_zero.information)
    problem = Problem(
        evaluate=lambda beta: partial_likelihood(sample, beta, ties),
        spread=lambda beta: spread_of(sample.standardised @ beta),
        divergence=lambda step: divergence_along(sample, step),
        separated=lambda: separated_terms(sample),
    )
    maximum = maximise(problem, at_zero, max_iterations)
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


def spread_of(values: Floats) -> float:
    """Return largest minus smallest value."""
    return float(values.max() - values.min())


def _unscale(covariance: Floats, sample: CoxSample) -> Floats:
    return covariance / np.outer(sample.scale, sample.scale)


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
