"""Baseline hazard and predicted survival of a Cox model, as right-continuous steps.

The baseline follows the tie method of the fit (Breslow or Efron), as `survfit` does in survival
for R. Variance: Tsiatis 1981, Link 1984.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.survival.checks import Floats, column, covariate_matrix
from analysis.survival.cox import CoxFit
from analysis.survival.cox_residuals import likelihood_at_fit
from analysis.survival.cox_sample import CoxSample
from analysis.survival.errors import SurvivalDataError
from analysis.survival.event_table import step_value
from analysis.survival.intervals import IntervalType, probability_interval


@dataclass(frozen=True, eq=False)
class BaselineHazard:
    """Cumulative hazard of one stratum at its S event times.

    Attributes
    ----------
    times : (S,) event times
    cumulative_hazard : (S,) at the covariate values ``reference`` (p,)
    variance : (S,) of the steps alone, given the coefficients
    mean_hazard : (S, p) sum of hazard step times (covariate mean at risk - reference)
    last_time : last observation in the stratum
    """

    stratum: object
    times: Floats
    cumulative_hazard: Floats
    variance: Floats
    mean_hazard: Floats
    reference: Floats
    last_time: float


@dataclass(frozen=True, eq=False)
class PredictedSurvival:
    """Survival of k covariate rows at T moments; all arrays are (k, T)."""

    moments: Floats
    survival: Floats
    standard_error: Floats
    lower: Floats
    upper: Floats
    interval: IntervalType
    level: float


def baseline_hazards(
    sample: CoxSample, fit: CoxFit, reference: ArrayLike | None = None
) -> tuple[BaselineHazard, ...]:
    """Return the baseline of each stratum that has events, in the order of the labels.

    ``reference`` (p,) are the covariate values of the baseline; the means when not given.
    """
    values = sample.centre if reference is None else column(reference, "reference", len(fit.names))
    sets, at = sample.risk_sets, likelihood_at_fit(sample, fit)
    shift = float(fit.coefficients @ (values - sample.centre))
    baselines = []
    for place, part in enumerate(sets.stratum_slices):
        steps = (sets.death_sets >= part.start) & (sets.death_sets < part.stop)
        hazards = at.hazards[steps] * np.exp(shift - at.log_offsets[place])
        means = at.means[steps] * sample.scale + sample.centre - values
        last = np.searchsorted(sets.death_sets[steps], np.arange(part.start, part.stop), "right")
        stratum = int(sets.strata[part.start])
        inside = slice(None) if sample.strata is None else sample.strata == stratum
        baselines.append(
            BaselineHazard(
                stratum=sample.stratum_labels[stratum],
                times=sets.times[part],
                cumulative_hazard=np.cumsum(hazards)[last - 1],
                variance=np.cumsum(hazards**2 / sample.step_weights[steps])[last - 1],
                mean_hazard=np.cumsum(hazards[:, None] * means, axis=0)[last - 1],
                reference=values,
                last_time=float(sample.stop[inside].max()),
            )
        )
    return tuple(baselines)


def predict_survival(
    baseline: BaselineHazard,
    fit: CoxFit,
    covariates: ArrayLike,
    moments: ArrayLike,
    *,
    interval: IntervalType = "log",
    level: float = 0.95,
) -> PredictedSurvival:
    """Predict survival for covariate rows at given moments.

    The error includes that of the coefficients (robust when the fit is robust).

    Raises
    ------
    SurvivalDataError : a moment after the last observation of the stratum
    """
    when = column(moments, "moments")
    if (when > baseline.last_time).any():
        raise SurvivalDataError(
            f"moments: {when.max():g} is after the last observation at {baseline.last_time:g}; "
            "the curve is not known there"
        )
    rows = np.atleast_2d(np.asarray(covariates, dtype=np.float64))
    matrix, _ = covariate_matrix(rows, rows.shape[0], fit.names)
    distance = matrix - baseline.reference
    ratio = np.exp(distance @ fit.coefficients)[:, None]
    hazard = step_value(baseline.times, baseline.cumulative_hazard, when, 0.0)
    steps = step_value(baseline.times, baseline.variance, when, 0.0)
    place = np.searchsorted(baseline.times, when, side="right")
    means = np.vstack([np.zeros(len(fit.names)), baseline.mean_hazard])[place]
    gradient = distance[:, None, :] * hazard[None, :, None] - means[None, :, :]
    from_coefficients = np.einsum("ktp,pq,ktq->kt", gradient, fit.variance, gradient)
    survival = np.exp(-ratio * hazard)
    error = survival * ratio * np.sqrt(steps + from_coefficients)
    lower, upper = probability_interval(survival, error, interval, level)
    return PredictedSurvival(when, survival, error, lower, upper, interval, level)
