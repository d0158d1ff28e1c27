"""Calibration at a horizon by a regression on the predicted risk, weighted for censoring.

The status at the horizon is regressed on log(-log(1 - predicted risk)) with the same link. With
slope held at 1 the constant is the calibration intercept (0: right on the whole); the slope is 1
for predictions that are neither too extreme nor too timid; a spline in place of the line is the
calibration curve. With competing events the status is the event of interest by the horizon, so all
three judge absolute risks. A property of a model in a group.

Sources: van Geloven et al. 2022 (intercept, slope and curve on this scale, by pseudo-values);
Scheike, Zhang & Gerds 2008 (weights instead).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.prediction.censoring import HorizonSample
from analysis.survival.checks import Floats
from analysis.survival.errors import SurvivalDataError
from analysis.survival.splines import restricted_cubic_basis

_STEPS = 40
_HALVINGS = 20
_TOLERANCE = 1e-10
# Outside these a probability is 0 or 1 for all purposes, and the fit runs away.
_SMALLEST_LINEAR, _LARGEST_LINEAR = -30.0, 5.0


@dataclass(frozen=True, eq=False)
class Recalibration:
    """A fitted regression: coefficients (p,) of columns (n, p) beside an offset (n,)."""

    coefficients: Floats
    columns: Floats
    offset: Floats
    sample: HorizonSample

    @property
    def standard_errors(self) -> Floats:
        """Sandwich (p,), estimation of the weights included; taken only when asked for."""
        linear = self.offset + self.columns @ self.coefficients
        # The link is not canonical, so the observed information is not the expected one.
        hazard = np.exp(np.minimum(linear, _LARGEST_LINEAR))
        rising = np.expm1(hazard)
        curved = hazard * (hazard * (rising + 1) - rising) / rising**2
        slopes = self.sample.weights * np.where(self.sample.case, curved, hazard)
        information = self.columns.T @ (self.columns * slopes[:, None])
        factor = self.sample.weights * np.exp(linear) / _risk(linear)
        own = self.columns * (factor * (self.sample.case - _risk(linear)))[:, None]
        censoring = [self.sample.influence_of_censoring(own[:, j]) for j in range(own.shape[1])]
        influence = (own + np.column_stack(censoring)) @ np.linalg.inv(information)
        return np.sqrt((influence**2).sum(axis=0))


@dataclass(frozen=True, eq=False)
class CalibrationTerm:
    """Intercept or slope: the last coefficient of its regression."""

    fit: Recalibration

    @property
    def estimate(self) -> float:
        """The coefficient."""
        return float(self.fit.coefficients[-1])

    @property
    def standard_error(self) -> float:
        """Its standard error, predictions held fixed."""
        return float(self.fit.standard_errors[-1])


def complementary_log_log(risks: Floats) -> Floats:
    """Return log(-log(1 - risk)).

    Raises
    ------
    SurvivalDataError : a risk of 0 or 1
    """
    if not ((risks > 0) & (risks < 1)).all():
        raise SurvivalDataError(
            "predicted: calibration needs risks strictly between 0 and 1, found 0 or 1"
        )
    return np.log(-np.log1p(-risks))


def calibration_intercept(predicted: Floats, sample: HorizonSample) -> CalibrationTerm:
    """Return the shift of log(-log(1 - risk)) that makes predictions right on the whole.

    Raises
    ------
    SurvivalDataError : a predicted risk of 0 or 1, or no finite estimate
    """
    line = complementary_log_log(predicted)
    return CalibrationTerm(_fitted(np.ones((sample.n, 1)), line, sample))


def calibration_slope_at_horizon(predicted: Floats, sample: HorizonSample) -> CalibrationTerm:
    """Return the slope on log(-log(1 - risk)).

    Raises
    ------
    SurvivalDataError : as for :func:`calibration_intercept`, or risks that do not vary
    """
    line = complementary_log_log(predicted)
    if np.ptp(line) < 1e-9:
        raise SurvivalDataError("predicted: all risks are equal, so there is no calibration slope")
    columns = np.column_stack([np.ones(sample.n), line - line.mean()])
    return CalibrationTerm(_fitted(columns, np.zeros(sample.n), sample))


def observed_along(
    predicted: Floats, sample: HorizonSample, knots: Floats, along: Floats
) -> Floats:
    """Return the smooth observed risk at predicted risks `along` (g,).

    ``knots`` (k,) are on the scale log(-log(1 - risk)).

    Raises
    ------
    SurvivalDataError : as for :func:`calibration_intercept`
    """
    line = complementary_log_log(predicted)
    basis = restricted_cubic_basis(line, knots)
    centre, scale = basis.mean(axis=0), basis.std(axis=0)
    if (scale < 1e-9).any():
        raise SurvivalDataError("predicted: the risks vary too little for a calibration curve")
    columns = np.column_stack([np.ones(sample.n), (basis - centre) / scale])
    estimates = _fitted(columns, np.zeros(sample.n), sample).coefficients
    there = (restricted_cubic_basis(complementary_log_log(along), knots) - centre) / scale
    return _risk(np.column_stack([np.ones(along.size), there]) @ estimates)


def _risk(linear: Floats) -> Floats:
    return -np.expm1(-np.exp(np.minimum(linear, _LARGEST_LINEAR)))


def _fitted(columns: Floats, offset: Floats, sample: HorizonSample) -> Recalibration:
    """Solve the weighted score equations of binomial regression: scoring steps, halved on need.

    Score: weight (status - p) p' / (p (1 - p)) times the column, the derivative of
    weight (status log p + (1 - status) log(1 - p)); with this link p' / (p (1 - p)) is
    exp(linear) / p, and -log(1 - p) is exp(linear).
    """
    beta = np.zeros(columns.shape[1])
    height = _log_likelihood(offset, sample)
    for _ in range(_STEPS):
        information, score = _information(offset + columns @ beta, columns, sample)
        try:
            step = np.linalg.solve(information, score)
        except np.linalg.LinAlgError:
            break
        if np.abs(step).max() < _TOLERANCE:
            return Recalibration(beta, columns, offset, sample)
        for _ in range(_HALVINGS):
            higher = _log_likelihood(offset + columns @ (beta + step), sample)
            if higher >= height - _TOLERANCE:
                break
            step = step / 2
        beta, height = beta + step, higher
        reached = offset + columns @ beta
        if reached.max() > _LARGEST_LINEAR or reached.min() < _SMALLEST_LINEAR:
            break
    raise SurvivalDataError(
        "predicted: calibration has no finite estimate (too few events, or the predictions order "
        "them without exception); report that it was not estimable"
    )


def _log_likelihood(linear: Floats, sample: HorizonSample) -> float:
    linear = np.clip(linear, _SMALLEST_LINEAR, _LARGEST_LINEAR)
    each = np.where(sample.case, np.log(_risk(linear)), -np.exp(linear))
    return float(sample.weights @ each)


def _information(linear: Floats, columns: Floats, sample: HorizonSample) -> tuple[Floats, Floats]:
    p, hazard = _risk(linear), np.exp(linear)
    weights = sample.weights * hazard
    information = columns.T @ (columns * (weights * hazard * (1 - p) / p)[:, None])
    return information, columns.T @ (weights * (sample.case - p) / p)
