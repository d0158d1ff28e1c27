"""Cox regression with a ridge penalty: many related covariates, few events.

The penalty is half the penalty weight times the squared coefficients per standard deviation, so
units do not matter. Source: Verweij & van Houwelingen 1994.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Floats, column
from analysis.survival.cox_likelihood import partial_likelihood
from analysis.survival.cox_sample import CoxSample, Ties
from analysis.survival.errors import SurvivalDataError
from analysis.survival.linear import symmetric_inverse
from analysis.survival.newton import Problem, maximise


@dataclass(frozen=True, eq=False)
class RidgeFit:
    """A Cox model with a ridge penalty.

    Attributes
    ----------
    coefficients : (p,) per unit of each covariate, shrunk towards zero
    covariance : (p, p) sandwich H^-1 I H^-1, H the penalised and I the plain information; it
        describes the spread of the shrunk estimates, not their bias
    effective_df : trace of I H^-1
    log_likelihood : without the penalty
    criterion : log-likelihood minus effective_df (half of minus AIC); the largest is best
    """

    names: tuple[str, ...]
    penalty: float
    coefficients: Floats
    covariance: Floats
    effective_df: float
    log_likelihood_null: float
    log_likelihood: float
    criterion: float
    iterations: int
    converged: bool
    ties: Ties
    n: int
    n_events: int


@dataclass(frozen=True, eq=False)
class _Penalised:
    log_likelihood: float
    score: Floats
    information: Floats
    plain_log_likelihood: float
    plain_information: Floats


def fit_ridge(
    sample: CoxSample, penalty: float, *, ties: Ties = "efron", max_iterations: int = 60
) -> RidgeFit:
    """Maximise the penalised partial likelihood at a given penalty weight (> 0).

    Raises
    ------
    SurvivalDataError : penalty not positive
    """
    if not (penalty > 0 and np.isfinite(penalty)):
        raise SurvivalDataError(f"penalty: expected a positive weight, found {penalty}")
    spread = np.sqrt(
        sample.weights @ (sample.covariates - sample.centre) ** 2 / sample.weights.sum()
    )
    weight = penalty * (spread / sample.scale) ** 2

    def evaluate(beta: Floats) -> _Penalised:
        at = partial_likelihood(sample, beta, ties)
        return _Penalised(
            at.log_likelihood - float(weight @ beta**2) / 2,
            at.score - weight * beta,
            at.information + np.diag(weight),
            at.log_likelihood,
            at.information,
        )

    at_zero = evaluate(np.zeros(len(sample.names)))
    problem = Problem(
        evaluate=evaluate,
        spread=lambda beta: float(np.ptp(sample.standardised @ beta)),
        divergence=lambda _: (),
        separated=lambda: (),
    )
    maximum = maximise(problem, at_zero, max_iterations)
    at = maximum.at_beta
    inverse = symmetric_inverse(at.information)
    df = float(np.trace(at.plain_information @ inverse))
    covariance = inverse @ at.plain_information @ inverse / np.outer(sample.scale, sample.scale)
    return RidgeFit(
        names=sample.names,
        penalty=float(penalty),
        coefficients=maximum.beta / sample.scale,
        covariance=covariance,
        effective_df=df,
        log_likelihood_null=at_zero.plain_log_likelihood,
        log_likelihood=at.plain_log_likelihood,
        criterion=at.plain_log_likelihood - df,
        iterations=maximum.iterations,
        converged=maximum.converged,
        ties=ties,
        n=sample.n,
        n_events=sample.n_events,
    )


def best_ridge(sample: CoxSample, penalties: ArrayLike, *, ties: Ties = "efron") -> RidgeFit:
    """Return the fit with the best criterion among the given penalties (the first of equals)."""
    fits = [fit_ridge(sample, float(p), ties=ties) for p in column(penalties, "penalties")]
    return max(fits, key=lambda fit: fit.criterion)
