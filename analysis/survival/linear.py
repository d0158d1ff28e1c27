"""Small linear algebra and chi-square tests shared by the estimators."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from analysis.survival.checks import Floats

# Share of a column's own variance below which it counts as a combination of the others. The
# information on standardised covariates is accurate to about 1e-14.
SINGULAR = 1e-10
# Share of the largest diagonal element that is rounding.
NOISE = 1e-14
# A variance below this cannot be scaled to one without overflow.
LEAST_VARIANCE = 1e-290
# Smallest diagonal element of the Cholesky factor of a correlation matrix of full rank.
WELL_CONDITIONED = 1e-3


@dataclass(frozen=True)
class ChiSquareTest:
    """A chi-square statistic with its degrees of freedom and p-value."""

    statistic: float
    df: int
    p: float

    @classmethod
    def of(cls, statistic: float, df: int) -> ChiSquareTest:
        """Look up the upper tail probability."""
        return cls(float(statistic), int(df), float(special.chdtrc(df, max(statistic, 0.0))))


def chi_square_test(vector: Floats, covariance: Floats) -> ChiSquareTest:
    """Return ``vector' covariance^- vector``, with the rank of the covariance as df."""
    diagonal = covariance.diagonal()
    scale = np.asarray(np.sqrt(np.where(diagonal > 0, diagonal, 1.0)))
    correlation = covariance / (scale[:, None] * scale)
    factor, failed = linalg.lapack.dpotrf(correlation, lower=1)
    if not failed and vector.size and factor.diagonal().min() > WELL_CONDITIONED:
        solved, _ = linalg.lapack.dpotrs(factor, vector / scale, lower=1)
        return ChiSquareTest.of(float(solved @ (vector / scale)), vector.size)
    values, vectors = np.linalg.eigh(correlation)
    kept = values > SINGULAR * max(1.0, float(values[-1]) if values.size else 1.0)
    projected = vectors[:, kept].T @ (vector / scale)
    return ChiSquareTest.of(float(np.sum(projected**2 / values[kept])), int(kept.sum()))


def symmetric_inverse(matrix: Floats) -> Floats:
    """Invert a positive definite matrix, scaling its diagonal to one first.

    A matrix that rounding has made indefinite (a nearly diverged fit) gets the pseudo-inverse.
    """
    if matrix.size == 0:
        return matrix
    own = matrix.diagonal()
    diagonal = np.sqrt(np.where(own > LEAST_VARIANCE, own, 1.0))
    outer: Floats = diagonal[:, None] * diagonal
    correlation = matrix / outer
    factor, failed = linalg.lapack.dpotrf(correlation, lower=1)
    if failed:
        return np.linalg.pinv(correlation, hermitian=True) / outer
    # The upper triangle of the factor is zero and stays so.
    inverse, _ = linalg.lapack.dpotri(factor, lower=1)
    full = inverse + inverse.T
    full.flat[:: full.shape[0] + 1] /= 2
    return full / outer


def _well_conditioned(matrix: Floats, diagonal: Floats, noise: float) -> bool:
    """Tell quickly whether every column keeps a visible share of its own, given those before it.

    The diagonal of the Cholesky factor of the correlations holds the roots of these shares.
    """
    if matrix.size == 0 or not diagonal.min() > max(noise, LEAST_VARIANCE):
        return False
    root = np.sqrt(diagonal)
    factor, failed = linalg.lapack.dpotrf(matrix / (root[:, None] * root), lower=1)
    return not failed and bool(factor.diagonal().min() > WELL_CONDITIONED)


def dependent_column(information: Floats) -> tuple[int | None, tuple[int, ...]]:
    """Find the first column without information of its own, and the columns it repeats.

    Returns ``(None, ())`` when the matrix is positive definite.
    """
    diagonal = information.diagonal()
    noise = NOISE * float(diagonal.max(initial=0.0))
    if _well_conditioned(information, diagonal, noise):
        return None, ()
    for k in range(information.shape[0]):
        earlier = information[:k, :k]
        own = information[k, k]
        if own <= noise:
            return k, ()
        loading = np.asarray(np.linalg.solve(earlier, information[:k, k]), dtype=np.float64)
        left = own - loading @ information[:k, k]
        if left <= max(SINGULAR * own, noise):
            scaled = np.abs(loading) * np.sqrt(np.diag(earlier) / own)
            return k, tuple(int(i) for i in np.flatnonzero(scaled > 1e-6))
    return None, ()
