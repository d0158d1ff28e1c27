"""Fit a linear mixed model by REML or ML."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from analysis.mixed.derivatives import Smooth
from analysis.mixed.design import Array, RandomTerm, checked_design
from analysis.mixed.deviance import Method, Problem, ProfiledDeviance, problem_of, reduced_at
from analysis.mixed.optimise import Minimum, minimise
from analysis.mixed.result import MixedFit, VarianceComponent

START_SCALES = (0.1, 0.4, 1.0, 3.0)
# Gradient per row at which the quasi-Newton descent hands over to Newton steps.
HANDOVER_GRADIENT = 3e-5
# Cross-products (numbers) above which the deviance is taken to have one minimum only.
LARGE_PROBLEM = 20_000
SCATTERED_STARTS = 4
SCATTER_SEED = 1
# Relative factors are of order one; smaller than this, a direction has no variance.
SINGULAR_TOLERANCE = 1e-5


def fit_mixed(
    response: ArrayLike,
    fixed: ArrayLike,
    random: Sequence[RandomTerm],
    *,
    fixed_names: Sequence[str] | None = None,
    method: Method = "REML",
    residual_strata: ArrayLike | None = None,
) -> MixedFit:
    """Fit y = X b + Z u + e.

    Parameters
    ----------
    response
        (n,) outcome.
    fixed
        (n, p) fixed columns, intercept included by the caller.
    random
        Random terms; grouping factors may be nested or crossed.
    fixed_names
        Names of the p columns.
    method
        "REML" for variances, "ML" for comparing fixed effects.
    residual_strata
        (n,) labels, e.g. the limb, when each shall have its own residual variance.

    Raises
    ------
    ModelRefusedError
        Missing values, collinear columns, one group, one row per group, no variation.
    """
    design = checked_design(response, fixed, random, fixed_names, residual_strata)
    return fit_problem(problem_of(design), method)


def refit(fit: MixedFit, method: Method) -> MixedFit:
    """Return the same model fitted by another method (ML to compare fixed effects)."""
    return fit if fit.method == method else fit_problem(fit.problem, method)


def fit_problem(problem: Problem, method: Method) -> MixedFit:
    """Fit a prepared model."""
    deviance = ProfiledDeviance(problem, method)
    minimum = minimise(
        deviance,
        _starts(problem, deviance),
        problem.layout.diagonal,
        HANDOVER_GRADIENT * problem.rows,
    )
    return result_of(problem, minimum, method)


def result_of(problem: Problem, minimum: Minimum, method: Method) -> MixedFit:
    """Translate a minimum of the standardised deviance to units of the data."""
    scales, design, layout = problem.scales, problem.design, problem.layout
    at = reduced_at(problem, minimum.parameters)
    free = problem.rows - (problem.fixed if method == "REML" else 0)
    sigma = float(np.sqrt(np.real(at.squares) / free))
    inverse = scales.fixed @ np.linalg.inv(at.information) @ scales.fixed.T
    unit = sigma * scales.response
    factors = layout.factors(minimum.parameters)
    ratios = np.exp(layout.log_ratios(minimum.parameters))
    components = tuple(
        VarianceComponent(term.name, term.columns, _covariance(back @ factor * unit))
        for term, back, factor in zip(design.random, scales.random, factors, strict=True)
    )
    return MixedFit(
        method=method,
        fixed_names=design.fixed_names,
        coefficients=scales.offset + scales.response * (scales.fixed @ at.coefficients),
        covariance=unit**2 * inverse,
        sigma=unit,
        residual_deviations={
            name: float(unit * ratio)
            for name, ratio in zip(design.strata_names, ratios, strict=True)
        },
        components=components,
        log_likelihood=-0.5 * minimum.value,
        n_rows=problem.rows,
        n_parameters=problem.fixed + layout.size + 1,
        groups={
            term.name: levels.size
            for term, levels in zip(design.random, design.levels, strict=True)
        },
        converged=minimum.converged,
        singular=any(_is_singular(factor) for factor in factors),
        problem=problem,
        parameters=minimum.parameters,
        standardised_sigma=sigma,
    )


def _starts(problem: Problem, deviance: Smooth) -> list[Array]:
    """Return the best and the worst of the plain starts; scattered ones where data are few.

    Small samples have deviances with several minima, and evaluations are cheap there; with many
    groups the deviance is close to a parabola.
    """
    plain = [problem.layout.start(scale) for scale in START_SCALES]
    values = [deviance.value(start) for start in plain]
    best, worst = int(np.argmin(values)), int(np.argmax(values))
    starts = [plain[best], plain[worst]]
    if problem.statistics.cells.size > LARGE_PROBLEM:
        return starts
    generator = np.random.default_rng(SCATTER_SEED)
    count = SCATTERED_STARTS * problem.layout.size
    return starts + list(generator.normal(size=(count, problem.layout.size)))


def _covariance(factor: Array) -> Array:
    return factor @ factor.T


def _is_singular(factor: Array) -> bool:
    return bool(np.min(np.linalg.svd(factor, compute_uv=False)) < SINGULAR_TOLERANCE)
