"""The models that can be written as a formula: a line, a power law, a power law with covariates.

Logarithms predict the median; the mean is what is judged, so fitted values are multiplied by the
mean of the exponentiated residuals (Duan 1983, J Am Stat Assoc 78:605).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.force_model.inputs import Array, Inputs
from analysis.force_model.least_squares import Line, fit_line, independent_columns
from analysis.mixed import MixedFit, ModelRefusedError, fit_mixed, random_intercept


def _with_intercept(*columns: Array) -> Array:
    return np.column_stack([np.ones(len(columns[0])), *columns])


@dataclass(frozen=True)
class FittedLinear:
    """F = a + b peak."""

    line: Line

    def predict(self, inputs: Inputs) -> Array:
        """Return (n,) forces in BW."""
        return self.line.at(_with_intercept(inputs.peak))

    def prediction_error(self, inputs: Inputs) -> Array:
        """Return (n,) standard errors in BW."""
        return self.line.deviation_at(_with_intercept(inputs.peak))


@dataclass(frozen=True)
class Linear:
    """Force in proportion to peak waist acceleration, plus a constant."""

    name: str = "linear"

    def fit(self, inputs: Inputs, force: Array) -> FittedLinear:
        """Fit by least squares."""
        return FittedLinear(fit_line(_with_intercept(inputs.peak), force))


@dataclass(frozen=True)
class FittedLogLog:
    """log F = a + b log peak."""

    line: Line
    smearing: float

    def predict(self, inputs: Inputs) -> Array:
        """Return (n,) mean forces in BW."""
        return self.smearing * np.exp(self.line.at(_with_intercept(np.log(inputs.peak))))

    def prediction_error(self, inputs: Inputs) -> Array:
        """Return (n,) standard errors in BW: of a log-normal force."""
        spread = self.line.deviation_at(_with_intercept(np.log(inputs.peak)))
        return self.predict(inputs) * np.sqrt(np.expm1(spread**2))


@dataclass(frozen=True)
class LogLog:
    """Force as a power of peak waist acceleration."""

    name: str = "log_log"

    def fit(self, inputs: Inputs, force: Array) -> FittedLogLog:
        """Fit the logarithms by least squares."""
        line = fit_line(_with_intercept(np.log(inputs.peak)), np.log(force))
        return FittedLogLog(line, float(np.mean(np.exp(line.residuals))))


@dataclass(frozen=True)
class FittedMixed:
    """log F = a + b log peak + context + athlete."""

    fit: MixedFit
    columns: Array
    smearing: float

    def predict(self, inputs: Inputs) -> Array:
        """Return (n,) mean forces in BW of athletes who were never seen: random effect zero."""
        return self.smearing * np.exp(self._matrix(inputs) @ self.fit.coefficients)

    def prediction_error(self, inputs: Inputs) -> Array:
        """Return (n,) standard errors in BW: spread of athletes, of trials, and of the fit."""
        matrix = self._matrix(inputs)
        of_fit = np.einsum("ij,jk,ik->i", matrix, self.fit.covariance, matrix)
        of_athlete = float(self.fit.components[0].covariance[0, 0])
        variance = of_fit + of_athlete + self.fit.sigma**2
        return self.predict(inputs) * np.sqrt(np.expm1(variance))

    def _matrix(self, inputs: Inputs) -> Array:
        return _with_intercept(np.log(inputs.peak), inputs.context)[:, self.columns]


@dataclass(frozen=True)
class LogLogWithCovariates:
    """A power law with task, limb, sex, body mass and impact speed, and a random athlete."""

    name: str = "log_log_covariates"

    def fit(self, inputs: Inputs, force: Array) -> FittedMixed:
        """Fit the logarithms by REML."""
        full = _with_intercept(np.log(inputs.peak), inputs.context)
        columns = independent_columns(full)
        if len(full) <= columns.size:
            raise ModelRefusedError(
                f"{len(full)} landings for {columns.size} coefficients; more landings are needed"
            )
        matrix, response = full[:, columns], np.log(force)
        fit = fit_mixed(response, matrix, [random_intercept("athlete", inputs.athlete)])
        residuals = response - matrix @ fit.coefficients
        return FittedMixed(fit, columns, float(np.mean(np.exp(residuals))))
