"""Tests and intervals for fixed effects, with the degrees of freedom named by the function."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.mixed.design import Array, ModelRefusedError
from analysis.mixed.kenward_roger import KenwardRogerMoments
from analysis.mixed.result import MixedFit
from analysis.mixed.satterthwaite import SatterthwaiteMoments, pooled_denominator
from analysis.quantiles import quantile_of_t, tail_of_chi_squared, tail_of_f, tail_of_t

SATTERTHWAITE = "Satterthwaite"
KENWARD_ROGER = "Kenward-Roger"


@dataclass(frozen=True)
class ContrastT:
    """One contrast: estimate, standard error, t on `df`, two-sided p, confidence interval."""

    estimate: float
    standard_error: float
    df: float
    statistic: float
    p_value: float
    low: float
    high: float
    level: float
    df_method: str


@dataclass(frozen=True)
class ContrastF:
    """Several contrasts at once: F on (`numerator_df`, `denominator_df`), and its scale."""

    statistic: float
    numerator_df: int
    denominator_df: float
    p_value: float
    scale: float
    df_method: str


def satterthwaite_t(
    fit: MixedFit, contrasts: ArrayLike | None = None, level: float = 0.95
) -> list[ContrastT]:
    """Return t-tests of contrasts (m, p), by default of each fixed effect."""
    moments = SatterthwaiteMoments(fit)
    return [
        _t_test(
            float(row @ fit.coefficients),
            float(np.sqrt(row @ fit.covariance @ row)),
            moments.degrees_of_freedom(row),
            level,
            SATTERTHWAITE,
        )
        for row in _rows(fit, contrasts)
    ]


def kenward_roger_t(
    fit: MixedFit, contrasts: ArrayLike | None = None, level: float = 0.95
) -> list[ContrastT]:
    """Return t-tests of contrasts (m, p) with adjusted standard errors; REML fits only."""
    moments = KenwardRogerMoments(fit)
    out = []
    for row in _rows(fit, contrasts):
        variance = float(row @ moments.adjusted @ row)
        degrees = moments.scaled_f(row[None, :])[0]
        if not (variance > 0.0 and degrees > 0.0):
            raise ModelRefusedError(
                f"Kenward-Roger gives variance {variance:.3g} and {degrees:.3g} degrees of "
                "freedom: the data hold too little information on the variances; use Satterthwaite "
                "or fewer random terms"
            )
        estimate = float(row @ fit.coefficients)
        out.append(_t_test(estimate, float(np.sqrt(variance)), degrees, level, KENWARD_ROGER))
    return out


def satterthwaite_f(fit: MixedFit, contrasts: ArrayLike) -> ContrastF:
    """Return the joint test of contrasts (l, p) that they are zero.

    The contrasts are rotated to be uncorrelated; F is the mean of their squared t's, and its
    denominator matches the mean of their F(1, v) distributions (Kuznetsova et al. 2017).
    """
    moments = SatterthwaiteMoments(fit)
    rows = _independent(_rows(fit, contrasts))
    values, vectors = np.linalg.eigh(rows @ fit.covariance @ rows.T)
    rotated = vectors.T @ rows
    statistic = float(np.mean((rotated @ fit.coefficients) ** 2 / values))
    degrees = np.array([moments.degrees_of_freedom(row) for row in rotated])
    return _f_test(statistic, rows.shape[0], pooled_denominator(degrees), 1.0, SATTERTHWAITE)


def kenward_roger_f(fit: MixedFit, contrasts: ArrayLike) -> ContrastF:
    """Return the joint test of contrasts (l, p) that they are zero; REML fits only."""
    moments = KenwardRogerMoments(fit)
    rows = _independent(_rows(fit, contrasts))
    degrees, scale = moments.scaled_f(rows)
    effects = rows @ fit.coefficients
    wald = float(effects @ np.linalg.solve(rows @ moments.adjusted @ rows.T, effects))
    return _f_test(scale * wald / rows.shape[0], rows.shape[0], degrees, scale, KENWARD_ROGER)


def _rows(fit: MixedFit, contrasts: ArrayLike | None) -> Array:
    size = fit.coefficients.size
    rows = np.eye(size) if contrasts is None else np.atleast_2d(np.asarray(contrasts, float))
    if rows.ndim != 2 or rows.shape[1] != size or not np.all(np.isfinite(rows)):
        raise ModelRefusedError(
            f"contrasts have shape {rows.shape}; expected (m, {size}) finite weights, one column "
            f"per fixed effect {list(fit.fixed_names)}"
        )
    if np.any(np.all(rows == 0, axis=1)):
        raise ModelRefusedError("a contrast has only zero weights; it tests nothing")
    return rows


def _independent(rows: Array) -> Array:
    """Return rows spanning the same hypotheses, or refuse rows that repeat each other."""
    if np.linalg.matrix_rank(rows) < rows.shape[0]:
        raise ModelRefusedError("the contrasts repeat each other; leave the redundant rows out")
    return rows


def _t_test(estimate: float, error: float, df: float, level: float, method: str) -> ContrastT:
    statistic = estimate / error
    half = error * quantile_of_t(0.5 + level / 2.0, df)
    p_value = 2.0 * tail_of_t(abs(statistic), df)
    return ContrastT(
        estimate, error, df, statistic, p_value, estimate - half, estimate + half, level, method
    )


def _f_test(statistic: float, rank: int, df: float, scale: float, method: str) -> ContrastF:
    p_value = (
        tail_of_f(statistic, rank, df)
        if np.isfinite(df)
        else tail_of_chi_squared(rank * statistic, rank)
    )
    return ContrastF(statistic, rank, df, p_value, scale, method)
