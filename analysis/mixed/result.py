"""The result of a fit: one frozen record per model."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.mixed.design import Array
from analysis.mixed.deviance import Method, Problem


@dataclass(frozen=True)
class VarianceComponent:
    """Covariance (q, q) of the random effects of one term, in units of the data."""

    term: str
    columns: tuple[str, ...]
    covariance: Array

    @property
    def standard_deviations(self) -> Array:
        """(q,) standard deviations; exactly zero where the estimate is on the boundary."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> Array:
        """(q, q) correlations; zero where a standard deviation is zero."""
        deviations = self.standard_deviations
        products = np.outer(deviations, deviations)
        safe = np.where(products > 0, products, 1.0)
        return np.where(products > 0, self.covariance / safe, 0.0) * (
            1 - np.eye(deviations.size)
        ) + np.eye(deviations.size)


@dataclass(frozen=True)
class MixedFit:
    """A fitted linear mixed model.

    Attributes
    ----------
    method
        "REML" or "ML".
    fixed_names, coefficients, covariance
        Fixed effects (p,) and their (p, p) model-based covariance.
    sigma
        Residual standard deviation (of the first stratum when there are several).
    residual_deviations
        Residual standard deviation per stratum name.
    components
        Covariance of each random term.
    log_likelihood
        Restricted log-likelihood under REML, which depends on the coding of the fixed columns.
    groups
        Number of groups per random term.
    converged
        The gradient promises no further gain and the Hessian no way down.
    singular
        A variance is zero or a correlation is +-1: the random part is on its boundary.
    """

    method: Method
    fixed_names: tuple[str, ...]
    coefficients: Array
    covariance: Array
    sigma: float
    residual_deviations: dict[str, float]
    components: tuple[VarianceComponent, ...]
    log_likelihood: float
    n_rows: int
    n_parameters: int
    groups: dict[str, int]
    converged: bool
    singular: bool
    problem: Problem = field(repr=False, compare=False)
    parameters: Array = field(repr=False, compare=False)
    standardised_sigma: float = field(repr=False, compare=False)

    @property
    def standard_errors(self) -> Array:
        """(p,) model-based standard errors of the fixed effects."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def deviance(self) -> float:
        """-2 log-likelihood (restricted under REML)."""
        return -2.0 * self.log_likelihood

    @property
    def aic(self) -> float:
        """Akaike criterion, all fixed and variance parameters counted."""
        return self.deviance + 2.0 * self.n_parameters

    @property
    def bic(self) -> float:
        """Bayesian criterion with the number of rows as sample size."""
        return self.deviance + float(np.log(self.n_rows)) * self.n_parameters

    def component(self, term: str) -> VarianceComponent:
        """Return the component of a term by name; KeyError lists the names that exist."""
        for component in self.components:
            if component.term == term:
                return component
        raise KeyError(f"no random term '{term}'; there are {[c.term for c in self.components]}")
