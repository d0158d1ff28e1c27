"""Likelihood-ratio test of two nested mixed models."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.design import ModelRefusedError
from analysis.mixed.result import MixedFit
from analysis.quantiles import tail_of_chi_squared

SPACE_TOLERANCE = 1e-8


@dataclass(frozen=True)
class LikelihoodRatio:
    """Chi-squared, degrees of freedom, p; whether p is conservative at a boundary.

    `boundary` is True when the models differ in variance parameters: under the null a variance is
    zero, and the chi-squared p is too large (Self & Liang 1987, J Am Stat Assoc 82:605).
    `boundary_p_value` is then the equal mixture of chi-squared on df - 1 and df, which holds when
    exactly one variance is added to independent groups; otherwise it equals `p_value`.
    """

    statistic: float
    df: int
    p_value: float
    boundary: bool
    boundary_p_value: float
    method: str


def likelihood_ratio_test(smaller: MixedFit, larger: MixedFit) -> LikelihoodRatio:
    """Return the test of `smaller` against `larger`.

    Raises
    ------
    ModelRefusedError
        Different outcomes or methods; REML fits with different fixed effects, whose restricted
        likelihoods are of different data; or models that are not nested by their size.
    """
    first, second = smaller.problem.design, larger.problem.design
    if not np.array_equal(first.response, second.response):
        raise ModelRefusedError("the two models are fitted to different outcomes or rows")
    if smaller.method != larger.method:
        raise ModelRefusedError(
            f"one model is fitted by {smaller.method}, the other by {larger.method}; refit both by "
            "ML"
        )
    same_fixed = first.fixed.shape == second.fixed.shape and _within(first.fixed, second.fixed)
    if smaller.method == "REML" and not same_fixed:
        raise ModelRefusedError(
            "REML likelihoods of models with different fixed effects cannot be compared; refit "
            "both by ML"
        )
    if smaller.method == "REML" and not np.array_equal(first.fixed, second.fixed):
        raise ModelRefusedError(
            "REML likelihoods depend on the coding of the fixed columns; use the same columns"
        )
    if not _within(first.fixed, second.fixed):
        raise ModelRefusedError("the fixed effects of the smaller model are not in the larger")
    df = larger.n_parameters - smaller.n_parameters
    if df <= 0:
        raise ModelRefusedError(
            f"the larger model has {larger.n_parameters} parameters, the smaller "
            f"{smaller.n_parameters}: nothing to test"
        )
    statistic = max(2.0 * (larger.log_likelihood - smaller.log_likelihood), 0.0)
    p_value = tail_of_chi_squared(statistic, df)
    extra_fixed = second.fixed.shape[1] - first.fixed.shape[1]
    boundary = larger.problem.layout.diagonal.size > smaller.problem.layout.diagonal.size
    one_variance = (
        larger.problem.layout.diagonal.size == smaller.problem.layout.diagonal.size + 1
        and extra_fixed == 0
    )
    mixed = p_value
    if boundary and one_variance:
        below = tail_of_chi_squared(statistic, df - 1) if df > 1 else float(statistic <= 0.0)
        mixed = 0.5 * (below + p_value)
    return LikelihoodRatio(statistic, df, p_value, boundary, mixed, smaller.method)


def _within(inner: np.ndarray, outer: np.ndarray) -> bool:
    """Return whether every column of `inner` is a combination of the columns of `outer`."""
    lengths = np.linalg.norm(outer, axis=0)
    weights, *_ = np.linalg.lstsq(outer / lengths, inner, rcond=None)
    left = np.linalg.norm(inner - (outer / lengths) @ weights, axis=0)
    return bool(np.all(left <= SPACE_TOLERANCE * np.linalg.norm(inner, axis=0)))
