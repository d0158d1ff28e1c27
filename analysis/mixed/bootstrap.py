"""Parametric bootstrap of a mixed model: new random effects and errors, the same design.

Each sample is refitted by the fit's own method, starting from its estimate; the refit reuses every
cross-product that does not involve the outcome. Percentile limits of a standard deviation may be
exactly zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.blocks import symmetric_root
from analysis.mixed.derivatives import forward_hessian
from analysis.mixed.design import Array, ModelRefusedError
from analysis.mixed.deviance import Problem, ProfiledDeviance, with_response
from analysis.mixed.fit import HANDOVER_GRADIENT, result_of
from analysis.mixed.optimise import descend, polish, with_exact_zeros
from analysis.mixed.result import MixedFit

# A start at a variance of zero would stay there: the deviance is stationary at it.
SMALLEST_START = 0.1
# Share of the largest curvature below which the fit's own says nothing about a sample's.
FLAT = 1e-6


@dataclass(frozen=True)
class BootstrapSample:
    """Refitted parameters: names as (term, quantity), estimates (samples, k), failures, seed.

    `failed` counts refits that did not converge; their rows are left out of `estimates`.
    """

    names: tuple[tuple[str, str], ...]
    estimates: Array
    failed: int
    seed: int

    def percentile_intervals(self, level: float = 0.95) -> Array:
        """Return (k, 2) percentile limits."""
        tail = 50.0 * (1.0 - level)
        return np.percentile(self.estimates, [tail, 100.0 - tail], axis=0).T


def parametric_bootstrap(fit: MixedFit, samples: int, seed: int) -> BootstrapSample:
    """Return `samples` refits to outcomes simulated from the fit."""
    if samples < 2:
        raise ModelRefusedError(f"{samples} bootstrap samples; at least two are needed")
    generator = np.random.default_rng(seed)
    inverse = inverse_curvature(fit)
    rows = []
    for _ in range(samples):
        problem = with_response(fit.problem, simulate_response(fit, generator))
        again = refit_near(problem, fit, inverse)
        if again.converged:
            rows.append(parameter_values(again))
    estimates = np.array(rows).reshape(len(rows), len(parameter_names(fit)))
    return BootstrapSample(parameter_names(fit), estimates, samples - len(rows), seed)


def inverse_curvature(fit: MixedFit) -> Array | None:
    """Return the inverse Hessian (k, k) of the deviance at a fit, None where it is flat."""
    deviance = ProfiledDeviance(fit.problem, fit.method)
    slope = deviance.value_and_gradient(fit.parameters)[1]
    curvature = forward_hessian(deviance, fit.parameters, slope)
    if np.min(np.linalg.eigvalsh(curvature)) <= FLAT * np.max(np.abs(curvature)):
        return None
    inverse = np.linalg.inv(curvature)
    return 0.5 * (inverse + inverse.T)


def refit_near(problem: Problem, fit: MixedFit, inverse: Array | None = None) -> MixedFit:
    """Return the fit of a problem with the same variance parameters, started from those of `fit`.

    One start instead of many: for samples from the model that `fit` describes. `inverse` is that
    of `inverse_curvature`; it saves half of the evaluations.
    """
    deviance = ProfiledDeviance(problem, fit.method)
    start = fit.parameters.copy()
    diagonal = problem.layout.diagonal
    start[diagonal] = np.where(
        np.abs(start[diagonal]) < SMALLEST_START, SMALLEST_START, start[diagonal]
    )
    end = descend(deviance, start, HANDOVER_GRADIENT * problem.rows, inverse=inverse)
    minimum = with_exact_zeros(deviance, polish(deviance, end), diagonal)
    return result_of(problem, minimum, fit.method)


def simulate_response(fit: MixedFit, generator: np.random.Generator) -> Array:
    """Return (n,) an outcome drawn from the fitted model."""
    design = fit.problem.design
    deviations = np.array(list(fit.residual_deviations.values()))
    outcome = design.fixed @ fit.coefficients
    for term, component, codes, levels in zip(
        design.random, fit.components, design.codes, design.levels, strict=True
    ):
        root = symmetric_root(component.covariance)
        effects = generator.standard_normal((levels.size, root.shape[0])) @ root
        outcome = outcome + np.sum(term.design * effects[codes], axis=1)
    noise = generator.standard_normal(design.response.size)
    return np.asarray(outcome + deviations[design.strata] * noise)


def parameter_names(fit: MixedFit) -> tuple[tuple[str, str], ...]:
    """Return (term, quantity) of every parameter in the order of `parameter_values`."""
    names = [("fixed", name) for name in fit.fixed_names]
    for component in fit.components:
        columns = component.columns
        names += [(component.term, f"sd {column}") for column in columns]
        names += [
            (component.term, f"cor {columns[i]} {columns[j]}")
            for i, j in zip(*np.tril_indices(len(columns), -1), strict=True)
        ]
    names += [("residual", f"sd {stratum}") for stratum in fit.residual_deviations]
    return tuple(names)


def parameter_values(fit: MixedFit) -> Array:
    """Return fixed effects, standard deviations, correlations and residual deviations."""
    parts = [fit.coefficients]
    for component in fit.components:
        width = len(component.columns)
        parts.append(component.standard_deviations)
        parts.append(component.correlation[np.tril_indices(width, -1)])
    parts.append(np.array(list(fit.residual_deviations.values())))
    return np.concatenate(parts)
