"""Predicted random effects (best linear unbiased predictions), their spread and reliability."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.blocks import blocks_of, posterior_covariance, residual_variances
from analysis.mixed.design import Array
from analysis.mixed.result import MixedFit


@dataclass(frozen=True)
class RandomEffects:
    """Predicted effects of the groups of one term.

    Attributes
    ----------
    levels
        (g,) group labels in sorted order.
    values
        (g, q) predicted effects.
    conditional_deviations
        (g, q) standard deviations given the data, variances and fixed effects taken as known.
    prediction_deviations
        (g, q) the same with the uncertainty of the fixed effects added (Henderson 1975,
        Biometrics 31:423).
    reliabilities
        (g, q) 1 - conditional variance / variance: the squared correlation of prediction and
        truth; zero where the variance is zero. For an intercept with k repeats it is
        s_b^2 / (s_b^2 + s_w^2 / k).
    """

    term: str
    columns: tuple[str, ...]
    levels: Array
    values: Array
    conditional_deviations: Array
    prediction_deviations: Array
    reliabilities: Array


def predict_random_effects(fit: MixedFit) -> list[RandomEffects]:
    """Return the predicted random effects of every term."""
    design = fit.problem.design
    shapes = [
        (levels.size, len(term.columns))
        for term, levels in zip(design.random, design.levels, strict=True)
    ]
    values = [np.zeros(shape) for shape in shapes]
    conditional = [np.zeros(shape) for shape in shapes]
    prediction = [np.zeros(shape) for shape in shapes]
    marginal = design.response - design.fixed @ fit.coefficients
    for block in blocks_of(design):
        posterior = posterior_covariance(fit, block)
        weighted = block.random / residual_variances(fit, block.rows)[:, None]
        effects = posterior @ (weighted.T @ marginal[block.rows])
        reach = posterior @ (weighted.T @ design.fixed[block.rows])
        variances = np.diag(posterior)
        added = np.einsum("ia,ab,ib->i", reach, fit.covariance, reach)
        for k, (term, group, position) in enumerate(block.owners):
            values[term][group, position] = effects[k]
            conditional[term][group, position] = variances[k]
            prediction[term][group, position] = variances[k] + added[k]
    return [
        RandomEffects(
            term=term.name,
            columns=term.columns,
            levels=design.levels[index],
            values=values[index],
            conditional_deviations=np.sqrt(np.clip(conditional[index], 0.0, None)),
            prediction_deviations=np.sqrt(np.clip(prediction[index], 0.0, None)),
            reliabilities=_reliabilities(
                conditional[index], np.diag(fit.components[index].covariance)
            ),
        )
        for index, term in enumerate(design.random)
    ]


def _reliabilities(conditional: Array, variances: Array) -> Array:
    safe = np.where(variances > 0.0, variances, 1.0)
    return np.where(variances > 0.0, np.clip(1.0 - conditional / safe, 0.0, 1.0), 0.0)
