"""Do predicted risks agree with what happened in a group: overall, in slope, and over the range.

A property of a model in a group. Predicted risks are never cut into classes: the curve is smooth,
and the observed risk of the curve is that of all with such a prediction.

Sources: Steyerberg, Clinical Prediction Models (2nd ed. 2019), chapter 15; van Houwelingen 2000
(slope); Austin, Harrell & van Klaveren 2020 (curve and its indices); with competing events Austin,
Putter, Giardiello & van Klaveren 2022.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.competing.cumulative_incidence import competing_follow_up, cumulative_incidence
from analysis.competing.fine_gray import fit_fine_gray
from analysis.prediction.censoring import horizon_sample, predicted_risks
from analysis.survival.checks import Floats, column
from analysis.survival.cox import fit_cox
from analysis.survival.cox_prediction import baseline_hazards, predict_survival
from analysis.survival.cox_sample import cox_sample
from analysis.survival.errors import SurvivalDataError
from analysis.survival.intervals import normal_quantile
from analysis.survival.splines import restricted_cubic_basis, spline_knots


@dataclass(frozen=True)
class ObservedExpected:
    """Observed risk over the mean predicted risk; 1 is calibrated on the whole.

    ``observed`` is Aalen-Johansen (without competing events 1 - Kaplan-Meier), its standard
    error Greenwood's; the limits are symmetric in the log ratio, predictions held fixed.
    """

    ratio: float
    lower: float
    upper: float
    observed: float
    expected: float
    horizon: float
    level: float


@dataclass(frozen=True)
class CalibrationSlope:
    """Cox coefficient of the linear predictor; below 1 the predictions are too extreme."""

    slope: float
    standard_error: float
    lower: float
    upper: float
    events: int
    level: float


@dataclass(frozen=True, eq=False)
class CalibrationCurve:
    """Observed against predicted risk, smooth.

    Attributes
    ----------
    predicted, observed : (g,) points of the curve, equally spaced between the stated quantiles
        of the predicted risks
    integrated_index, median_index, index_90 : mean, median and 90th percentile over the group of
        the distance between curve and prediction (ICI, E50, E90)
    knots : (k,) on the scale log(-log(1 - risk))
    """

    predicted: Floats
    observed: Floats
    integrated_index: float
    median_index: float
    index_90: float
    knots: Floats
    horizon: float
    of_interest: int


def observed_expected(
    predicted: ArrayLike,
    stop: ArrayLike,
    cause: ArrayLike,
    *,
    horizon: float,
    of_interest: int = 1,
    level: float = 0.95,
) -> ObservedExpected:
    """Return the observed over the expected risk at a horizon.

    Parameters
    ----------
    predicted : (n,) risks of the event of interest by the horizon, in [0, 1]
    stop, cause : (n,) follow-up; cause 0 censored, 1, 2, ... (or the 0/1 indicator of one event)

    Raises
    ------
    SurvivalDataError : no event of interest by the horizon, the data do not reach it, a
        predicted value is no risk, or all are zero
    """
    sample = horizon_sample(stop, cause, horizon, of_interest=of_interest)
    expected = float(predicted_risks(predicted, (sample.n,)).mean())
    if expected == 0:
        raise SurvivalDataError("predicted: all risks are zero; there is no ratio to them")
    curve = cumulative_incidence(sample.stop, sample.cause, variance="greenwood")
    value, error, _, _ = curve.at(of_interest, [horizon])
    observed = float(value[0])
    half = normal_quantile(level) * float(error[0]) / observed
    return ObservedExpected(
        ratio=observed / expected,
        lower=observed / expected * float(np.exp(-half)),
        upper=observed / expected * float(np.exp(half)),
        observed=observed,
        expected=expected,
        horizon=sample.horizon,
        level=level,
    )


def calibration_slope(
    linear_predictor: ArrayLike,
    stop: ArrayLike,
    event: ArrayLike,
    *,
    horizon: float | None = None,
    level: float = 0.95,
) -> CalibrationSlope:
    """Return the coefficient of a Cox model with the linear predictor as only covariate.

    Parameters
    ----------
    linear_predictor : (n,) log relative hazard that the model predicts
    stop, event : (n,) follow-up; a competing event coded 0 gives the cause-specific slope
    horizon : follow-up is cut there; without it all of it counts

    Raises
    ------
    SurvivalDataError : no event, a predictor that does not vary, or one that separates the
        events so that the slope has no finite value
    """
    predictor = column(linear_predictor, "linear_predictor")
    _, time, codes = competing_follow_up(stop, event)
    if horizon is not None:
        codes = np.where(time > horizon, 0, codes)
        time = np.minimum(time, horizon)
    fit = fit_cox(cox_sample(predictor, time, codes, names=["linear predictor"]))
    if fit.monotone or not fit.converged:
        raise SurvivalDataError(
            f"linear_predictor: it orders all {fit.n_events} events without exception, so the "
            "calibration slope has no finite value; report that it was not estimable"
        )
    slope, error = float(fit.coefficients[0]), float(fit.standard_errors[0])
    half = normal_quantile(level) * error
    return CalibrationSlope(slope, error, slope - half, slope + half, fit.n_events, level)


def calibration_curve(
    predicted: ArrayLike,
    stop: ArrayLike,
    cause: ArrayLike,
    *,
    horizon: float,
    of_interest: int = 1,
    knot_count: int = 3,
    points: int = 50,
    shown: tuple[float, float] = (0.05, 0.95),
) -> CalibrationCurve:
    """Return the smooth calibration curve at a horizon and its indices.

    The outcome is regressed on a restricted cubic spline of log(-log(1 - risk)): by a Cox model,
    or by a Fine-Gray model when there are competing events.

    Parameters
    ----------
    predicted : (n,) risks strictly between 0 and 1
    stop, cause : (n,) follow-up, as for :func:`observed_expected`
    knot_count : 3 to 7 knots, at Harrell's quantiles; few events carry 3
    points, shown : size of the curve and the quantiles of the predictions that it spans

    Raises
    ------
    SurvivalDataError : as for :func:`observed_expected`; risks of 0 or 1, or too few different
        ones; a curve without finite estimate
    """
    sample = horizon_sample(stop, cause, horizon, of_interest=of_interest)
    risks = predicted_risks(predicted, (sample.n,))
    if not ((risks > 0) & (risks < 1)).all():
        raise SurvivalDataError(
            "predicted: the curve needs risks strictly between 0 and 1, found 0 or 1"
        )
    try:
        knots = spline_knots(_complementary_log_log(risks), knot_count)
    except ValueError as error:
        raise SurvivalDataError(f"predicted: {error}") from error
    first, last = np.quantile(risks, shown)
    grid = np.linspace(float(first), float(last), points)
    rows = restricted_cubic_basis(_complementary_log_log(risks), knots)
    along = restricted_cubic_basis(_complementary_log_log(np.concatenate([grid, risks])), knots)
    if (sample.cause > 0).any() and (sample.cause[sample.cause > 0] == of_interest).all():
        observed = _by_cox(rows, along, sample.stop, sample.cause > 0, sample.horizon)
    else:
        fit = fit_fine_gray(rows, sample.stop, sample.cause, of_cause=of_interest)
        _refuse_unfinished(fit.converged and not fit.monotone)
        observed = fit.cumulative_incidence(along, [sample.horizon])[:, 0]
    distance = np.abs(observed[points:] - risks)
    return CalibrationCurve(
        predicted=grid,
        observed=observed[:points],
        integrated_index=float(distance.mean()),
        median_index=float(np.median(distance)),
        index_90=float(np.quantile(distance, 0.9)),
        knots=knots,
        horizon=sample.horizon,
        of_interest=of_interest,
    )


def _by_cox(rows: Floats, along: Floats, stop: Floats, event: np.ndarray, horizon: float) -> Floats:
    sample = cox_sample(rows, stop, event)
    fit = fit_cox(sample)
    _refuse_unfinished(fit.converged and not fit.monotone)
    baseline = baseline_hazards(sample, fit)[0]
    # Beyond the last time nobody is left, and the curve stays where it is.
    moment = min(horizon, baseline.last_time)
    return 1 - predict_survival(baseline, fit, along, [moment]).survival[:, 0]


def _refuse_unfinished(finished: bool) -> None:
    if not finished:
        raise SurvivalDataError(
            "predicted: the calibration curve has no finite estimate (too few events for its "
            "knots, or the predictions order the events without exception); take fewer knots"
        )


def _complementary_log_log(risks: Floats) -> Floats:
    return np.log(-np.log1p(-risks))
