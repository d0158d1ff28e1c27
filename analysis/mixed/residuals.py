"""Residuals and leverage of a mixed model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.blocks import (
    blocks_of,
    posterior_covariance,
    random_covariance,
    residual_variances,
)
from analysis.mixed.design import Array
from analysis.mixed.result import MixedFit


@dataclass(frozen=True)
class Residuals:
    """Per row, in the order of the data.

    Attributes
    ----------
    marginal
        y - X b.
    conditional
        y - X b - Z u, with predicted random effects u.
    pearson
        Conditional residual over the residual standard deviation of its stratum.
    independent
        Marginal residuals of each block divided by the Cholesky factor of their covariance:
        uncorrelated with variance one under the model, for normal plots.
    fixed_leverage
        Weight of a row's own outcome in its marginal fit, diag(X Phi X' V^-1).
    leverage
        Weight of a row's own outcome in its conditional fit; adds up to the effective number of
        parameters (Hodges & Sargent 2001, Biometrika 88:367).
    """

    marginal: Array
    conditional: Array
    pearson: Array
    independent: Array
    fixed_leverage: Array
    leverage: Array


def residuals(fit: MixedFit) -> Residuals:
    """Return residuals and leverages of every row."""
    design = fit.problem.design
    marginal = design.response - design.fixed @ fit.coefficients
    conditional, pearson = np.empty_like(marginal), np.empty_like(marginal)
    independent, leverage = np.empty_like(marginal), np.empty_like(marginal)
    fixed_leverage = np.empty_like(marginal)
    for block in blocks_of(design):
        rows = block.rows
        variances = residual_variances(fit, rows)
        posterior = posterior_covariance(fit, block)
        weighted = block.random / variances[:, None]
        fixed = design.fixed[rows]
        left_fixed = fixed / variances[:, None] - weighted @ (posterior @ (weighted.T @ fixed))
        inverse_diagonal = 1.0 / variances - np.einsum("ia,ab,ib->i", weighted, posterior, weighted)
        through_fixed = np.einsum("ia,ab,ib->i", left_fixed, fit.covariance, left_fixed)
        effects = posterior @ (weighted.T @ marginal[rows])
        conditional[rows] = marginal[rows] - block.random @ effects
        pearson[rows] = conditional[rows] / np.sqrt(variances)
        fixed_leverage[rows] = np.einsum("ia,ab,ib->i", fixed, fit.covariance, left_fixed)
        leverage[rows] = 1.0 - variances * (inverse_diagonal - through_fixed)
        covariance = block.random @ random_covariance(fit, block) @ block.random.T
        root = np.linalg.cholesky(covariance + np.diag(variances))
        independent[rows] = np.linalg.solve(root, marginal[rows])
    return Residuals(marginal, conditional, pearson, independent, fixed_leverage, leverage)
