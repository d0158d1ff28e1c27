"""Fine-Gray regression for the subdistribution hazard, without expanding rows.

A row that ended with a competing event stays in the risk set with the weight G(t-) / G(T-), G the
Kaplan-Meier curve of censoring. The weight is a product of a time part and a row part, so the
weighted risk-set sums are one more cumulative sum, and nothing is expanded.

The covariance accounts for the estimation of G. Ties are Breslow's. Source: Fine & Gray 1999; left
limits of G and the risk set of censoring (which includes events at the same time) are those of the
program that accompanies the paper (`crr` in cmprsk for R).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from analysis.competing.cumulative_incidence import competing_follow_up
from analysis.survival.checks import Booleans, Floats, Integers, group_codes
from analysis.survival.cox import refuse_unidentifiable
from analysis.survival.cox_sample import CoxSample, cox_sample
from analysis.survival.errors import SurvivalDataError
from analysis.survival.event_table import step_value
from analysis.survival.linear import ChiSquareTest, chi_square_test, symmetric_inverse
from analysis.survival.monotone import divergence_along, separated_terms
from analysis.survival.newton import Problem, maximise


@dataclass(frozen=True, eq=False)
class FineGrayFit:
    """A fitted Fine-Gray model.

    Attributes
    ----------
    coefficients : (p,) log subdistribution hazard ratio per unit of each covariate
    covariance : (p, p) sandwich that includes the estimation of the censoring curve
    log_likelihood_null, log_likelihood : log pseudo-likelihood; not for likelihood-ratio tests
    wald : test that all coefficients are zero
    times, baseline : (D,) event times of the cause and cumulative subdistribution hazard at
        the covariate values ``reference`` (the means)
    converged, monotone, diverging : as for a Cox fit
    n, n_events, n_competing, n_clusters : rows, events of the cause, competing events,
        clusters (None when not clustered)
    """

    names: tuple[str, ...]
    cause: int
    coefficients: Floats
    covariance: Floats
    log_likelihood_null: float
    log_likelihood: float
    wald: ChiSquareTest
    times: Floats
    baseline: Floats
    reference: Floats
    iterations: int
    converged: bool
    monotone: bool
    diverging: tuple[str, ...]
    n: int
    n_events: int
    n_competing: int
    n_clusters: int | None

    @property
    def standard_errors(self) -> Floats:
        """Standard errors (p,)."""
        return np.sqrt(np.diag(self.covariance))

    def cumulative_incidence(self, covariates: ArrayLike, moments: ArrayLike) -> Floats:
        """Predict the incidence (k, T) of covariate rows (k, p) at moments (T,).

        The sum over causes of such predictions may exceed one.
        """
        rows = np.atleast_2d(np.asarray(covariates, dtype=np.float64))
        ratio = np.exp((rows - self.reference) @ self.coefficients)
        when = np.asarray(moments, dtype=np.float64)
        return -np.expm1(-np.outer(ratio, step_value(self.times, self.baseline, when, 0.0)))


@dataclass(frozen=True, eq=False)
class _Weighted:
    """The data of a fit with the row and time parts of the weights; rows in time order.

    ``order`` (m,) are the caller's row numbers; ``later`` (m,) is the index of the first event
    time after each row's own; ``tail`` (G, D) is G(t-) per censoring group; ``inverse`` (m,) is
    1/G(T-) of rows with a competing event, else 0.
    """

    sample: CoxSample
    order: Integers
    X: Floats
    stop: Floats
    censored: Integers
    own: Integers
    times: Floats
    later: Integers
    groups: Integers
    tail: Floats
    inverse: Floats

    @cached_property
    def counts(self) -> Floats:
        """Events of the cause at each event time (D,)."""
        place = np.searchsorted(self.times, self.stop[self.own])
        return np.bincount(place, minlength=self.times.size).astype(np.float64)

    def sum_at_risk(self, values: Floats) -> Floats:
        """Sum ``values`` (m, k) over the weighted risk sets; returns (D, k)."""
        D = self.times.size
        first_after = np.searchsorted(self.later, np.arange(D), side="right")
        ahead = np.cumsum(values[::-1], axis=0)[::-1]
        sums = np.vstack([ahead, np.zeros((1, values.shape[1]))])[first_after]
        for g in range(self.tail.shape[0]):
            kept = np.cumsum(values * (self.inverse * (self.groups == g))[:, None], axis=0)
            kept = np.vstack([np.zeros((1, values.shape[1])), kept])[first_after]
            sums += self.tail[g][:, None] * kept
        return sums

    def sum_while_at_risk(self, values: Floats) -> Floats:
        """Sum ``values`` (D, k) times the weight over the times each row is at risk; (m, k)."""
        total = _lead(np.cumsum(values, axis=0))[self.later]
        for g in range(self.tail.shape[0]):
            through = _lead(np.cumsum(values * self.tail[g][:, None], axis=0))
            weight = (self.inverse * (self.groups == g))[:, None]
            total += weight * (through[-1] - through[self.later])
        return total


@dataclass(frozen=True, eq=False)
class _PseudoLikelihood:
    log_likelihood: float
    score: Floats
    information: Floats
    risk: Floats
    offset: float
    means: Floats
    hazards: Floats


def fit_fine_gray(
    covariates: ArrayLike,
    stop: ArrayLike,
    cause: ArrayLike,
    *,
    of_cause: int = 1,
    censoring_groups: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    names: Sequence[str] | None = None,
    max_iterations: int = 60,
) -> FineGrayFit:
    """Fit the subdistribution hazard of one cause.

    Parameters
    ----------
    covariates : (n, p)
    stop : (n,) times
    cause : (n,) whole numbers, 0 censored
    of_cause : the cause whose incidence is modelled
    censoring_groups : (n,) labels; each group has its own censoring curve
    cluster : (n,) labels, e.g. the athlete of each knee; the sandwich is then summed over
        clusters (Zhou, Fine, Latouche & Labopin 2012)
    names : p covariate names

    Raises
    ------
    SurvivalDataError, NotIdentifiableError : as for a Cox model; no event of the cause
    """
    data = _weighted(covariates, stop, cause, of_cause, censoring_groups, names)
    sample = data.sample
    at_zero = _evaluate(data, np.zeros(len(sample.names)))
    refuse_unidentifiable(sample, at_zero.information)
    problem = Problem(
        evaluate=lambda beta: _evaluate(data, beta),
        spread=lambda beta: float(np.ptp(data.X @ beta)),
        divergence=lambda step: divergence_along(sample, step),
        separated=lambda: separated_terms(sample),
    )
    maximum = maximise(problem, at_zero, max_iterations)
    at = maximum.at_beta
    inverse = symmetric_inverse(at.information)
    influence, n_clusters = _influence(data, at), None
    if cluster is not None:
        labels, codes = group_codes(cluster, sample.n, "cluster")
        n_clusters = labels.size
        summed = np.zeros((n_clusters, influence.shape[1]))
        np.add.at(summed, codes[data.order], influence)
        influence = summed
    covariance = inverse @ (influence.T @ influence) @ inverse
    covariance = covariance / np.outer(sample.scale, sample.scale)
    coefficients = maximum.beta / sample.scale
    return FineGrayFit(
        names=sample.names,
        cause=of_cause,
        coefficients=coefficients,
        covariance=covariance,
        log_likelihood_null=at_zero.log_likelihood,
        log_likelihood=at.log_likelihood,
        wald=chi_square_test(coefficients, covariance),
        times=data.times,
        baseline=np.cumsum(at.hazards) * np.exp(-at.offset),
        reference=sample.centre,
        iterations=maximum.iterations,
        converged=maximum.converged,
        monotone=bool(maximum.diverging),
        diverging=maximum.diverging,
        n=sample.n,
        n_events=data.own.size,
        n_competing=int(np.count_nonzero(data.inverse)),
        n_clusters=n_clusters,
    )


def _weighted(
    covariates: ArrayLike,
    stop: ArrayLike,
    cause: ArrayLike,
    of_cause: int,
    censoring_groups: ArrayLike | None,
    names: Sequence[str] | None,
) -> _Weighted:
    _, time, codes = competing_follow_up(stop, cause)
    own = codes == of_cause
    if not own.any():
        raise SurvivalDataError(f"cause: no row ends with cause {of_cause}, so nothing to model")
    competing = (codes > 0) & ~own
    # Whoever had a competing event never leaves: the risk sets that decide what is estimable.
    sample = cox_sample(covariates, np.where(competing, time.max(), time), own, names=names)
    groups = np.zeros(time.size, dtype=np.intp)
    if censoring_groups is not None:
        _, groups = group_codes(censoring_groups, time.size, "censoring_groups")
    order = np.argsort(time, kind="stable")
    time, codes, groups = time[order], codes[order], groups[order]
    own, competing = own[order], competing[order]
    times = np.unique(time[own])
    n_groups = int(groups.max()) + 1
    tail, inverse = np.empty((n_groups, times.size)), np.zeros(time.size)
    for g in range(n_groups):
        members = groups == g
        moments, curve = _censoring_curve(time[members], codes[members] == 0)
        tail[g] = _left_limit(moments, curve, times)
        kept = members & competing
        inverse[kept] = 1 / _left_limit(moments, curve, time[kept])
    return _Weighted(
        sample=sample,
        order=order,
        X=(sample.covariates[order] - sample.centre) / sample.scale,
        stop=time,
        censored=np.flatnonzero(codes == 0),
        own=np.flatnonzero(own),
        times=times,
        later=np.searchsorted(times, time, side="right"),
        groups=groups,
        tail=tail,
        inverse=inverse,
    )


def _censoring_curve(stop: Floats, censored: Booleans) -> tuple[Floats, Floats]:
    """Return the Kaplan-Meier curve of censoring; ``stop`` ascending."""
    moments, first = np.unique(stop, return_index=True)
    leaving = np.add.reduceat(censored.astype(np.float64), first)
    curve = np.cumprod(1 - leaving / (stop.size - first))
    return moments, np.asarray(curve, dtype=np.float64)


def _left_limit(moments: Floats, curve: Floats, at: Floats) -> Floats:
    return _lead(curve, 1.0)[np.searchsorted(moments, at, side="left")]


def _lead(values: Floats, first: float = 0.0) -> Floats:
    return np.concatenate([np.full((1, *values.shape[1:]), first), values])


def _evaluate(data: _Weighted, beta: Floats) -> _PseudoLikelihood:
    X, counts = data.X, data.counts
    predictor = X @ beta
    offset = float(predictor.max())
    predictor -= offset
    risk = np.exp(predictor)
    moments = data.sum_at_risk(np.column_stack([risk, X * risk[:, None]]))
    total = moments[:, 0]
    means = moments[:, 1:] / total[:, None]
    hazards = counts / total
    exposure = data.sum_while_at_risk(hazards[:, None])[:, 0]
    return _PseudoLikelihood(
        log_likelihood=float(predictor[data.own].sum() - counts @ np.log(total)),
        score=X[data.own].sum(axis=0) - counts @ means,
        information=(X * (risk * exposure)[:, None]).T @ X - (means * counts[:, None]).T @ means,
        risk=risk,
        offset=offset,
        means=means,
        hazards=hazards,
    )


def _influence(data: _Weighted, at: _PseudoLikelihood) -> Floats:
    """Return each row's part in the score (m, p), with that through the censoring curve."""
    X, D = data.X, data.times.size
    both = np.column_stack([at.hazards, at.hazards[:, None] * at.means])
    exposure = data.sum_while_at_risk(both)
    influence = -at.risk[:, None] * (X * exposure[:, :1] - exposure[:, 1:])
    place = np.searchsorted(data.times, data.stop[data.own])
    influence[data.own] += X[data.own] - at.means[place]
    for g in range(data.tail.shape[0]):
        members = np.flatnonzero(data.groups == g)
        kept = (at.risk * data.inverse)[members, None]
        later = data.later[members]
        # Sums over members with a competing event up to u, and over event times after u.
        sums = np.cumsum(np.hstack([kept, kept * X[members]]), axis=0)
        weighted = _lead(np.cumsum(both * data.tail[g][:, None], axis=0))
        moments, first = np.unique(data.stop[members], return_index=True)
        last = np.append(first[1:], members.size) - 1
        ahead = weighted[D] - weighted[later[last]]
        change = sums[last, 1:] * ahead[:, :1] - sums[last, :1] * ahead[:, 1:]
        at_risk = (members.size - first).astype(np.float64)
        change = change / at_risk[:, None]
        own = np.searchsorted(moments, data.stop[members])
        censored = np.isin(members, data.censored)
        counts = np.bincount(own[censored], minlength=moments.size)
        compensator = np.cumsum(change * (counts / at_risk)[:, None], axis=0)
        influence[members] += change[own] * censored[:, None] - compensator[own]
    return influence
