"""Calibration and net benefit against closed forms, counts and lifelines."""

import numpy as np
import pytest

from analysis.competing.cumulative_incidence import cumulative_incidence
from analysis.prediction.calibration import (
    calibration_curve,
    calibration_slope,
    observed_expected,
)
from analysis.prediction.net_benefit import decision_curve
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.splines import restricted_cubic_basis, spline_knots
from tests.published import survival_tables as tables
from tests.published.test_prediction_at_horizon import competing_data


def true_risk(score):
    """Incidence of cause 1 by time 1 in `competing_data`, from its constant hazards."""
    hazard = 0.5 * np.exp(0.8 * score)
    return hazard / (hazard + 0.3) * -np.expm1(-(hazard + 0.3))


def single_event_data(n, seed):
    """Exponential times with log hazard 0.8 score, continuous, so that no times tie."""
    generator = np.random.default_rng(seed)
    score = generator.normal(size=n)
    event_time = generator.exponential(1 / (0.5 * np.exp(0.8 * score)))
    leave = generator.exponential(2.5, size=n)
    risk = -np.expm1(-0.5 * np.exp(0.8 * score))
    return risk, np.minimum(event_time, leave), event_time <= leave


def test_observed_over_expected_without_censoring_is_a_ratio_of_counts():
    """Closed form: Greenwood's error is then the binomial one (Greenwood 1926)."""
    score, stop, cause = competing_data(200, 21, censored=False)
    predicted = true_risk(score)
    found = observed_expected(predicted, stop, cause, horizon=1.0)
    share = np.mean((stop <= 1) & (cause == 1))
    assert found.ratio == pytest.approx(share / predicted.mean(), rel=1e-12)
    half = 1.959963984540054 * np.sqrt((1 - share) / share / 200)
    assert np.log(found.upper / found.ratio) == pytest.approx(half, rel=1e-9)
    assert np.log(found.ratio / found.lower) == pytest.approx(half, rel=1e-9)


def test_observed_risk_of_a_single_event_is_that_of_lifelines():
    from lifelines import KaplanMeierFitter

    risk, stop, event = single_event_data(300, 22)
    found = observed_expected(risk, stop, event, horizon=1.0)
    curve = KaplanMeierFitter().fit(stop, event)
    assert found.observed == pytest.approx(1 - curve.predict(1.0), rel=1e-12)


def test_slope_of_the_fitted_predictor_is_one_and_of_half_of_it_two():
    """Closed form: the score equation of the fit is that of the slope."""
    table = tables.complete_lung()
    X = table[["age", "sex", "ph.ecog"]].to_numpy()
    fit = fit_cox(cox_sample(X, table["time"], table["event"]))
    predictor = X @ fit.coefficients
    found = calibration_slope(predictor, table["time"], table["event"])
    assert found.slope == pytest.approx(1, rel=1e-9)
    halved = calibration_slope(predictor / 2, table["time"], table["event"])
    assert halved.slope == pytest.approx(2, rel=1e-9)
    assert halved.standard_error == pytest.approx(2 * found.standard_error, rel=1e-9)


def test_slope_at_a_horizon_is_that_of_follow_up_cut_there():
    """statsmodels' Cox model (PHReg) of the cut data; lifelines stops 3e-5 short of it."""
    from statsmodels.duration.hazard_regression import PHReg

    risk, stop, event = single_event_data(300, 23)
    predictor = np.log(-np.log1p(-risk))
    found = calibration_slope(predictor, stop, event, horizon=1.0)
    cut = event & (stop <= 1.0)
    second = PHReg(np.minimum(stop, 1.0), predictor[:, None], status=cut, ties="efron").fit()
    assert found.slope == pytest.approx(second.params[0], rel=1e-7)
    assert found.standard_error == pytest.approx(second.bse[0], rel=1e-7)


def test_curve_of_a_single_event_is_the_spline_model_of_lifelines():
    """lifelines' Cox model on the same spline columns (no ties: the same baseline)."""
    from lifelines import CoxPHFitter

    risk, stop, event = single_event_data(400, 24)
    found = calibration_curve(risk, stop, event, horizon=1.0)
    x = np.log(-np.log1p(-risk))
    knots = spline_knots(x, 3)
    basis = restricted_cubic_basis(x, knots)
    frame = tables.pd.DataFrame({"a": basis[:, 0], "b": basis[:, 1], "t": stop, "e": event})
    second = CoxPHFitter().fit(frame, "t", "e")
    rows = restricted_cubic_basis(np.log(-np.log1p(-found.predicted)), knots)
    steps = second.baseline_cumulative_hazard_["baseline cumulative hazard"]
    cumulative = steps[steps.index <= 1.0].iloc[-1]
    # lifelines' baseline is at the means of the covariates.
    ratio = np.exp((rows - basis.mean(axis=0)) @ second.params_.to_numpy())
    assert found.observed == pytest.approx(-np.expm1(-cumulative * ratio), rel=1e-4)


@pytest.mark.parametrize("competing", [False, True])
def test_curve_of_true_risks_is_the_diagonal(competing):
    """Simulation with known hazards, n = 8,000; the distance allowed is 0.03.

    The Fine-Gray form of the second case is only near the truth, hence no tighter limit.
    """
    if competing:
        score, stop, cause = competing_data(8000, 25)
        risk = true_risk(score)
    else:
        risk, stop, cause = single_event_data(8000, 25)
    found = calibration_curve(risk, stop, cause, horizon=1.0)
    assert np.abs(found.observed - found.predicted).max() < 0.03
    assert found.median_index <= found.index_90
    assert found.integrated_index < 0.015


def test_curve_shows_predictions_that_are_too_extreme():
    """Known distortion: log(-log(1 - p)) times 1.4; the truth is that divided by 1.4."""
    risk, stop, event = single_event_data(8000, 26)
    extreme = -np.expm1(-np.exp(1.4 * np.log(-np.log1p(-risk))))
    found = calibration_curve(extreme, stop, event, horizon=1.0)
    truth = -np.expm1(-np.exp(np.log(-np.log1p(-found.predicted)) / 1.4))
    assert np.abs(found.observed - truth).max() < 0.03
    assert found.integrated_index == pytest.approx(np.mean(np.abs(extreme - risk)), abs=0.01)


def test_net_benefit_without_censoring_is_a_count():
    """Vickers & Elkin 2006: true positives / n - false positives / n times the odds."""
    score, stop, cause = competing_data(250, 27, censored=False)
    predicted = true_risk(score)
    limits = np.array([0.1, 0.2, 0.35, 0.5, 0.99])
    found = decision_curve(predicted, stop, cause, horizon=1.0, thresholds=limits)
    happened = (stop <= 1) & (cause == 1)
    for k, limit in enumerate(limits):
        above = predicted >= limit
        odds = limit / (1 - limit)
        benefit = ((above & happened).sum() - (above & ~happened).sum() * odds) / 250
        assert found.net_benefit[k] == pytest.approx(benefit, abs=1e-12)
        for_all = (happened.sum() - (~happened).sum() * odds) / 250
        assert found.act_for_all[k] == pytest.approx(for_all, abs=1e-12)
    assert found.share_above[-1] == found.net_benefit[-1] == 0


def test_censored_net_benefit_is_the_formula_of_vickers():
    """Vickers et al. 2008 with lifelines' Kaplan-Meier; Aalen-Johansen with a second cause."""
    from lifelines import KaplanMeierFitter

    risk, stop, event = single_event_data(400, 28)
    found = decision_curve(risk, stop, event, horizon=1.0, thresholds=[0.3, 0.5])
    for k, limit in enumerate((0.3, 0.5)):
        above = risk >= limit
        observed = 1 - KaplanMeierFitter().fit(stop[above], event[above]).predict(1.0)
        benefit = above.mean() * (observed - (1 - observed) * limit / (1 - limit))
        assert found.net_benefit[k] == pytest.approx(benefit, rel=1e-12)
    score, stop, cause = competing_data(400, 29)
    risk = true_risk(score)
    found = decision_curve(risk, stop, cause, horizon=1.0, thresholds=[0.3], of_interest=1)
    curve = cumulative_incidence(stop[risk >= 0.3], cause[risk >= 0.3])
    assert found.risk_above[0] == pytest.approx(curve.at(1, [1.0])[0][0], rel=1e-12)
