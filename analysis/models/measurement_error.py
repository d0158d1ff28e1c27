"""Error of measurement in the predictors of a regression, and its correction.

A predictor is the mean of an athlete's trials at one visit. What the regression asks about is the
athlete's true value; the measured mean differs from it by the error of the trials and, when the
habitual value is meant, by what changes from visit to visit. Error that is independent of the
outcome shrinks the coefficients (regression dilution); regression calibration undoes it:

    E(true | measured, covariates) has slope S_true S_measured^-1, both given the covariates
    coefficients of the true = S_true^-1 S_measured * coefficients of the measured predictors

In a proportional-hazards model this is exact in the limit of rare events and small effects.
Sources: Rosner, Spiegelman & Willett 1992, Am J Epidemiol 136:1400; Prentice 1982, Biometrika
69:331; Hughes 1993, Biometrics 49:1056 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

Array = NDArray[Any]

Level = Literal["trial", "visit"]
"""`trial`: the true value is that of the visit; `visit`: it is the habitual one, across visits."""

WISHART_DRAWS = 2000
FEWEST_USABLE = 200
"""Five draws beyond each limit of 95 %."""


class NotCorrectableError(ValueError):
    """The error is so large that no variance is left for the true predictors."""


@dataclass(frozen=True)
class ErrorModel:
    """Covariances of the measured predictors and of their errors, in the predictors' units.

    Attributes
    ----------
    measured : (p, p) covariance given covariates and strata
    error : (p, p) covariance of the error
    measured_df, error_df : degrees of freedom with which the two are known
    marginal : (p,) variance of the measured predictors, not given covariates
    """

    measured: Array
    error: Array
    measured_df: float
    error_df: float
    marginal: Array

    @property
    def reliability(self) -> Array:
        """(p,) share of true variance in the measured one, given covariates."""
        return 1 - np.diag(self.error) / np.diag(self.measured)

    @property
    def marginal_reliability(self) -> Array:
        """(p,) share of true variance in the measured one, covariates and strata not taken out."""
        return 1 - np.diag(self.error) / self.marginal

    @property
    def attenuation(self) -> Array:
        """(p,) what error leaves of a log hazard ratio in an adjusted model, one predictor alone.

        From a step of one SD of the true values to a step of one SD of the measured values, both
        SDs among all athletes. The slope of the true on the measured value, given covariates and
        strata, is the conditional reliability; the steps differ by the root of the marginal one.
        Without covariates and strata this is the square root of the reliability.

        Raises
        ------
        NotCorrectableError
            The error variance exceeds that of the measured predictor.
        """
        return self.reliability * np.sqrt(self.marginal) / self.true_deviation

    @property
    def explained(self) -> Array:
        """(p,) share of the measured variance that covariates and strata explain, at least 0."""
        return np.maximum(1 - np.diag(self.measured) / self.marginal, 0.0)

    @property
    def true_deviation(self) -> Array:
        """(p,) standard deviation of the true predictors, not given covariates.

        Raises
        ------
        NotCorrectableError
            The error variance exceeds that of the measured predictor.
        """
        variance = self.marginal - np.diag(self.error)
        if np.any(variance <= 0):
            raise NotCorrectableError("the error of a predictor is larger than its variation")
        return np.sqrt(variance)


@dataclass(frozen=True)
class Corrected:
    """Coefficients (p,) of the true predictors, and what is known about them.

    What is unknown about the two covariance matrices makes the distribution of a corrected
    coefficient skewed with long tails where reliability rests on few athletes: an estimate plus and
    minus its standard error is then far too wide (99 % and more of them held the planted value in
    simulated studies of 20 events, `tests/known_answers/SIMULATIONS.md`). The limits are
    quantiles instead, as of a ratio: of normal distributions mixed over draws of the matrices.

    Attributes
    ----------
    means, deviations : (draws, p) normal distribution of each coefficient, given drawn matrices
    usable : (all draws,) whether a draw left true variance; only those are among the above
    missing_information : (p,) share of a variance that is between completed data sets; 0 for one
    """

    coefficients: Array
    means: Array
    deviations: Array
    usable: Array
    missing_information: Array

    @property
    def unusable(self) -> float:
        """Share of draws that left no true variance."""
        return 1 - float(np.mean(self.usable))

    def below(self, values: Array) -> Array:
        """Return (p,) probability that each coefficient lies below its value."""
        return np.asarray(ndtr((values - self.means) / self.deviations).mean(axis=0))

    def limits(self, level: float) -> Array:
        """Return (p, 2) limits with equal tails."""
        tail = (1 - level) / 2
        return np.array([[self._quantile(k, q) for q in (tail, 1 - tail)] for k in self._places])

    def standard_errors(self) -> Array:
        """Return (p,) half of the interval between one standard error to each side.

        The standard deviation of the mixture follows its rare far draws.
        """
        limits = self.limits(float(ndtr(1.0) - ndtr(-1.0)))
        return np.asarray(limits[:, 1] - limits[:, 0]) / 2

    def p_values(self) -> Array:
        """Return (p,) two-sided p of no effect: one minus the level whose limit is at zero."""
        below = self.below(np.zeros(len(self.coefficients)))
        return np.asarray(2 * np.minimum(below, 1 - below))

    @property
    def _places(self) -> range:
        return range(len(self.coefficients))

    def _quantile(self, place: int, share: float) -> float:
        means, deviations = self.means[:, place], self.deviations[:, place]
        reach = float(ndtri(max(share, 1 - share)))

        def excess(value: float) -> float:
            return float(ndtr((value - means) / deviations).mean()) - share

        # Every normal of the mixture has the share between these two.
        low = float((means - reach * deviations).min())
        high = float((means + reach * deviations).max())
        return float(brentq(excess, low, high, xtol=1e-10 * (high - low)))


def calibration_matrix(measured: Array, error: Array) -> Array:
    """Return (p, p) S_true^-1 S_measured, which turns measured into true coefficients.

    Raises
    ------
    NotCorrectableError
        S_measured - S_error is not positive definite.
    """
    true: Array = measured - error
    if np.linalg.eigvalsh(true).min() <= 0:
        raise NotCorrectableError(
            "the error of the predictors is as large as their variation: too few trials, visits "
            "or athletes to tell true differences from error"
        )
    return np.linalg.solve(true, measured)


def correct(
    coefficients: Array, covariance: Array, model: ErrorModel, rng: np.random.Generator
) -> Corrected:
    """Return the coefficients of the true predictors by regression calibration.

    What is unknown about the two covariance matrices comes from Wishart draws with their degrees
    of freedom, what is unknown about the measured coefficients from their covariance. Draws that
    leave no true variance are left out and counted.

    Raises
    ------
    NotCorrectableError
        No true variance is left, at the estimate or in nearly all draws.
    """
    matrix = calibration_matrix(model.measured, model.error)
    measured = _wishart(model.measured, model.measured_df, rng)
    true = measured - _wishart(model.error, model.error_df, rng)
    usable = np.linalg.eigvalsh(true).min(axis=1) > 0
    if usable.sum() < FEWEST_USABLE:
        raise _too_few(usable)
    matrices = np.linalg.solve(true[usable], measured[usable])
    variances = np.einsum("kij,jl,kil->ki", matrices, covariance, matrices)
    return Corrected(
        matrix @ coefficients,
        matrices @ coefficients,
        np.sqrt(variances),
        usable,
        np.zeros(len(coefficients)),
    )


def _too_few(usable: Array) -> NotCorrectableError:
    return NotCorrectableError(
        f"{usable.sum()} of {len(usable)} draws of what is unknown about the error leave true "
        "differences between athletes: too few second visits or trials"
    )


def pooled(found: Sequence[Corrected]) -> Corrected:
    """Return the corrections of several completed data sets as one.

    Each must have been drawn by a generator of the same seed: what is unknown about the error is
    then the same draw by draw, and within a draw Rubin's rule holds (mean of the means, variance
    within plus 1 + 1/m times that between). Draws usable in all data sets are kept.

    Raises
    ------
    ValueError
        Fewer than two data sets.
    NotCorrectableError
        Too few draws are usable in all data sets.
    """
    if len(found) < 2:
        raise ValueError(f"{len(found)} data set; at least two are needed to pool")
    usable = np.all([each.usable for each in found], axis=0)
    if usable.sum() < FEWEST_USABLE:
        raise _too_few(usable)
    means = np.array([each.means[usable[each.usable]] for each in found])
    squares = np.array([each.deviations[usable[each.usable]] ** 2 for each in found])
    between = (1 + 1 / len(found)) * means.var(axis=0, ddof=1)
    total = squares.mean(axis=0) + between
    return Corrected(
        np.mean([each.coefficients for each in found], axis=0),
        means.mean(axis=0),
        np.sqrt(total),
        usable,
        np.median(between / total, axis=0),
    )


def _wishart(covariance: Array, df: float, rng: np.random.Generator) -> Array:
    """Return (draws, p, p) sample covariances of `df` degrees of freedom (Bartlett)."""
    p = len(covariance)
    # Numerical rank matters: an error covariance can be singular when a predictor has no error.
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0))
    lower = np.tril(rng.standard_normal((WISHART_DRAWS, p, p)), -1)
    for position in range(p):
        freedom = max(df - position, 1.0)
        lower[:, position, position] = np.sqrt(rng.chisquare(freedom, WISHART_DRAWS))
    half = root @ lower
    return half @ half.transpose(0, 2, 1) / df


def residual_covariance(values: Array, given: Array) -> tuple[Array, float]:
    """Return the covariance (p, p) of `values` (n, p) given columns (n, q), and its df.

    `given` holds the covariates and strata with an intercept; dependent columns are harmless.
    """
    fitted, _, rank, _ = np.linalg.lstsq(given, values, rcond=None)
    left = values - given @ fitted
    df = float(len(values) - rank)
    return left.T @ left / df, df


def error_covariance(variances: Array, correlation: Array) -> Array:
    """Return (p, p) error covariance from error variances (p,) and error correlations (p, p)."""
    deviations = np.sqrt(variances)
    return deviations[:, None] * correlation * deviations


def within_correlation(values: Any, groups: Any) -> Array:
    """Return (p, p) correlation of rows of `values` (n, p) around the means of their `groups`.

    NaN marks a missing value. A pair of columns that no row shares has correlation 0; so has a
    column without variation.
    """
    import pandas as pd

    table = pd.DataFrame(np.asarray(values, dtype=float))
    around = (table - table.groupby(np.asarray(groups)).transform("mean")).to_numpy()
    known = np.isfinite(around)
    around = np.where(known, around, 0.0)
    products = around.T @ around
    # Sums over the rows that both columns have, so that missing values do not weaken a correlation.
    squares = np.square(around).T @ known.astype(float)
    scale = np.sqrt(squares * squares.T)
    correlation = np.divide(products, scale, out=np.zeros_like(products), where=scale > 0)
    np.fill_diagonal(correlation, 1.0)
    return correlation
