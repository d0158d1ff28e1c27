"""Cox regression with a shared gamma frailty: members of a group share an unseen factor.

For a given variance theta the frailties maximise the penalised partial likelihood, which is the EM
solution; theta maximises the likelihood with the frailties integrated out.
Sources: Klein 1992; Therneau, Grambsch & Pankratz 2003; Nielsen et al. 1992.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from analysis.survival.checks import Floats, Integers, confidence_level, group_codes
from analysis.survival.cox import fit_cox
from analysis.survival.cox_likelihood import partial_likelihood
from analysis.survival.cox_sample import CoxSample, Ties
from analysis.survival.errors import NotIdentifiableError, SurvivalDataError
from analysis.survival.linear import ChiSquareTest, symmetric_inverse
from analysis.survival.newton import DECREMENT, HALVINGS, LARGEST_SPREAD, ROUNDED_DECREMENT

# Range of theta that is searched; at its lower end the frailty is reported as absent.
SMALLEST, LARGEST = 1e-5, 20.0
ITERATIONS = 60


@dataclass(frozen=True, eq=False)
class FrailtyFit:
    """A fitted shared gamma frailty model.

    Attributes
    ----------
    coefficients, covariance : (p,), (p, p) given theta, from the full penalised information
    theta : variance of the frailty; 0 when the likelihood is highest without frailty
    singular : theta is at that boundary
    groups, frailties : (G,) labels and estimated factors, mean 1
    log_likelihood_null : partial likelihood without covariates and frailty
    log_likelihood_without, log_likelihood : without frailty, and with it integrated out
    frailty_test : likelihood ratio against no frailty; p is halved (theta 0 is a boundary)
    """

    names: tuple[str, ...]
    coefficients: Floats
    covariance: Floats
    theta: float
    singular: bool
    groups: NDArray
    frailties: Floats
    log_likelihood_null: float
    log_likelihood_without: float
    log_likelihood: float
    frailty_test: ChiSquareTest
    iterations: int
    converged: bool
    ties: Ties
    n: int
    n_events: int

    @property
    def standard_errors(self) -> Floats:
        """Standard errors given theta (p,)."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, eq=False)
class _Inner:
    """The penalised maximum at one theta; the first p elements of ``values`` are coefficients."""

    values: Floats
    information: Floats
    integrated: float
    iterations: int
    converged: bool


def fit_gamma_frailty(
    sample: CoxSample, group: ArrayLike, *, ties: Ties = "efron", max_iterations: int = ITERATIONS
) -> FrailtyFit:
    """Fit a Cox model in which the rows of a group share a gamma frailty.

    Parameters
    ----------
    sample : from :func:`analysis.survival.cox_sample.cox_sample`, without case weights
    group : (n,) labels, e.g. the athlete of each knee

    Raises
    ------
    SurvivalDataError : fewer than two groups, or case weights
    NotIdentifiableError : as for a Cox model, or the likelihood is monotone
    """
    labels, codes = group_codes(group, sample.n, "group")
    if labels.size < 2:
        raise SurvivalDataError("group: expected at least two groups")
    if (sample.weights != 1).any():
        raise SurvivalDataError("weights: a frailty model takes no case weights")
    plain = fit_cox(sample, ties=ties)
    if plain.monotone:
        raise NotIdentifiableError(
            f"covariates {', '.join(plain.diverging)} separate the events from the others, so the "
            "hazard ratio is infinite with or without frailty; use the Firth penalty"
        )
    joined = _with_group_columns(sample, codes, labels.size)
    events = np.bincount(codes[sample.event], minlength=labels.size).astype(np.float64)
    p = len(sample.names)
    begin = np.concatenate([plain.coefficients * sample.scale, np.zeros(labels.size)])
    found = optimize.minimize_scalar(
        lambda t: -_climb(joined, begin, np.exp(t), events, ties, max_iterations).integrated,
        bounds=(float(np.log(SMALLEST)), float(np.log(LARGEST))),
        method="bounded",
        options={"xatol": 1e-6},
    )
    theta = float(np.exp(found.x))
    inner = _climb(joined, begin, theta, events, ties, max_iterations)
    gain = 2 * (inner.integrated - plain.log_likelihood)
    singular = gain <= 1e-6
    inverse = symmetric_inverse(inner.information)[:p, :p] / np.outer(sample.scale, sample.scale)
    test = ChiSquareTest.of(max(gain, 0.0), 1)
    return FrailtyFit(
        names=sample.names,
        coefficients=plain.coefficients if singular else inner.values[:p] / sample.scale,
        covariance=plain.covariance if singular else inverse,
        theta=0.0 if singular else theta,
        singular=singular,
        groups=labels,
        frailties=np.ones(labels.size) if singular else np.exp(inner.values[p:]),
        log_likelihood_null=plain.log_likelihood_null,
        log_likelihood_without=plain.log_likelihood,
        log_likelihood=plain.log_likelihood if singular else inner.integrated,
        frailty_test=ChiSquareTest(test.statistic, 1, test.p / 2 if gain > 0 else 1.0),
        iterations=inner.iterations,
        converged=inner.converged,
        ties=ties,
        n=sample.n,
        n_events=sample.n_events,
    )


def frailty_variance_interval(
    sample: CoxSample, group: ArrayLike, fit: FrailtyFit, *, level: float = 0.95
) -> tuple[float, float]:
    """Return profile-likelihood limits of theta: 0 or infinity where the likelihood stays high.

    All theta within reach of the chi-square quantile (1 df) of the highest integrated likelihood.
    No standard error of theta is offered: it is skewed, and 0 is a boundary.

    Parameters
    ----------
    sample, group : those of :func:`fit_gamma_frailty`, which gave ``fit``
    """
    confidence_level(level)
    _, codes = group_codes(group, sample.n, "group")
    joined = _with_group_columns(sample, codes, fit.groups.size)
    events = np.bincount(codes[sample.event], minlength=fit.groups.size).astype(np.float64)
    begin = np.concatenate([fit.coefficients * sample.scale, np.log(fit.frailties)])
    lowest = fit.log_likelihood - special.chdtri(1, 1 - level) / 2

    def height(log_theta: float) -> float:
        inner = _climb(joined, begin, float(np.exp(log_theta)), events, fit.ties, ITERATIONS)
        return float(inner.integrated - lowest)

    at, first, last = np.log([max(fit.theta, SMALLEST), SMALLEST, LARGEST])
    open_below = fit.singular or fit.log_likelihood_without >= lowest or height(first) >= 0
    lower = 0.0 if open_below else np.exp(optimize.brentq(height, first, at, xtol=1e-10))
    upper = np.inf if height(last) >= 0 else np.exp(optimize.brentq(height, at, last, xtol=1e-10))
    return float(lower), float(upper)


def _with_group_columns(sample: CoxSample, codes: Integers, n_groups: int) -> CoxSample:
    """Append one indicator per group, neither centred nor scaled."""
    indicators = np.zeros((sample.n, n_groups))
    indicators[np.arange(sample.n), codes] = 1.0
    return replace(
        sample,
        covariates=np.hstack([sample.covariates, indicators]),
        names=sample.names + tuple(f"group {g}" for g in range(n_groups)),
        centre=np.concatenate([sample.centre, np.zeros(n_groups)]),
        scale=np.concatenate([sample.scale, np.ones(n_groups)]),
    )


def _climb(
    joined: CoxSample, begin: Floats, theta: float, events: Floats, ties: Ties, max_iterations: int
) -> _Inner:
    """Maximise the penalised likelihood at one theta by Newton's method with step halving."""
    p = begin.size - events.size
    values, converged, iterations = begin, False, 0
    value, score, information = _penalised(joined, values, p, theta, ties)
    while iterations < max_iterations:
        step = symmetric_inverse(information) @ score
        decrement = float(step @ score)
        if decrement <= DECREMENT:
            converged = True
            break
        for _ in range(HALVINGS):
            candidate = values + step
            if np.ptp(joined.standardised @ candidate) <= LARGEST_SPREAD:
                reached = _penalised(joined, candidate, p, theta, ties)
                if reached[0] >= value - 1e-13 * abs(value):
                    break
            step = step / 2
        else:
            converged = decrement < ROUNDED_DECREMENT
            break
        values, (value, score, information) = candidate, reached
        iterations += 1
    return _Inner(values, information, value + _correction(events, theta), iterations, converged)


def _penalised(
    joined: CoxSample, values: Floats, p: int, theta: float, ties: Ties
) -> tuple[float, Floats, Floats]:
    """Return the log-likelihood with the log-gamma penalty, its gradient and information."""
    at = partial_likelihood(joined, values, ties)
    log_frailty = values[p:]
    frailty = np.exp(log_frailty)
    score, information = at.score.copy(), at.information.copy()
    score[p:] -= (frailty - 1) / theta
    place = np.arange(p, values.size)
    information[place, place] += frailty / theta
    # exp(w) - 1 - w rather than exp(w) - w: no cancellation when theta is small.
    penalty = np.sum(np.expm1(log_frailty) - log_frailty) / theta
    return at.log_likelihood - float(penalty), score, information


def _correction(events: Floats, theta: float) -> float:
    """Return what turns the penalised into the integrated likelihood (0 as theta goes to 0)."""
    nu, d = 1 / theta, events
    # (nu + d) log(nu / (nu + d)) + d + log of the rising factorial of nu over nu^d
    rising = special.gammaln(nu + d) - special.gammaln(nu) - d * np.log(nu)
    return float(np.sum(d - (nu + d) * np.log1p(d / nu) + rising))
