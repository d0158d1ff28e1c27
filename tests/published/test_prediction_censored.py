"""Censored data: performance at a horizon against general-purpose libraries.

Weights for censoring come from lifelines' Kaplan-Meier of the censorings; the measures themselves
from scikit-learn and statsmodels, with those weights as sample weights. Times do not tie, so the
order of events and censorings at one time plays no part.
"""

import numpy as np
import pandas as pd
import pytest

from analysis.prediction.added_value import Outcome, area_under_curve, judge_all
from analysis.prediction.brier import brier_score, brier_values
from analysis.prediction.censoring import horizon_sample
from analysis.prediction.dynamic_auc import dynamic_auc
from analysis.prediction.net_benefit import decision_curve, weighted_net_benefit
from analysis.prediction.risk_model import build_risk_model
from analysis.prediction.uno import uno_concordance
from analysis.prediction.weighted_calibration import (
    calibration_intercept,
    calibration_slope_at_horizon,
    complementary_log_log,
    observed_along,
)
from analysis.survival.errors import SurvivalDataError
from analysis.survival.splines import restricted_cubic_basis, spline_knots

HORIZON = 1.0


def study(n=220, seed=3, *, censored=True):
    """Two covariates, an event, a competing end, and censoring; exponential, no ties."""
    generator = np.random.default_rng(seed)
    X = generator.normal(size=(n, 2))
    first = generator.exponential(1 / (0.4 * np.exp(0.7 * X[:, 0])))
    second = generator.exponential(1 / (0.2 * np.exp(-0.4 * X[:, 1])))
    leave = generator.exponential(2.0, size=n) if censored else np.full(n, np.inf)
    stop = np.minimum.reduce([first, second, leave])
    cause = np.where(stop == leave, 0, np.where(first <= second, 1, 2))
    risk = 1 / (1 + np.exp(1.0 - X[:, 0] - 0.3 * X[:, 1]))
    return X, stop, cause, risk


def lifelines_weights(stop, cause):
    """Inverse of the probability of being uncensored just before the end, or at the horizon."""
    from lifelines import KaplanMeierFitter

    curve = KaplanMeierFitter().fit(stop, cause == 0)
    early = stop <= HORIZON
    uncensored = curve.predict(np.minimum(stop, HORIZON)).to_numpy()
    return np.where(early & (cause == 0), 0.0, 1 / uncensored)


@pytest.mark.parametrize("competing", [True, False])
def test_area_and_brier_score_are_those_of_scikit_learn_with_weights(competing):
    from sklearn.metrics import brier_score_loss, roc_auc_score

    _, stop, cause, risk = study()
    cause = cause if competing else (cause == 1).astype(int)
    weights = lifelines_weights(stop, cause)
    case = (stop <= HORIZON) & (cause == 1)
    known = weights > 0
    area = roc_auc_score(case[known], risk[known], sample_weight=weights[known])
    found = dynamic_auc(risk, stop, cause, horizon=HORIZON, controls="without_the_event")
    assert found.estimate == pytest.approx(area, rel=1e-12)
    loss = brier_score_loss(case[known], risk[known], sample_weight=weights[known])
    assert brier_score(risk, stop, cause, horizon=HORIZON).estimate == pytest.approx(loss, rel=1e-9)
    sample = horizon_sample(stop, cause, HORIZON)
    assert area_under_curve(risk, sample, "without_the_event") == pytest.approx(area, rel=1e-12)
    assert brier_values(risk, sample)[0] == pytest.approx(loss, rel=1e-9)


def test_area_among_the_event_free_is_that_of_scikit_learn_with_weights():
    from sklearn.metrics import roc_auc_score

    _, stop, cause, risk = study(seed=4)
    weights = lifelines_weights(stop, cause)
    kept = (stop > HORIZON) | (cause == 1)
    area = roc_auc_score((stop <= HORIZON)[kept], risk[kept], sample_weight=weights[kept])
    found = dynamic_auc(risk, stop, cause, horizon=HORIZON)
    assert found.estimate == pytest.approx(area, rel=1e-12)


def test_uno_concordance_pair_by_pair_with_the_weights_of_lifelines():
    """Uno et al. 2011, equation 6, in plain loops; competing ends censor, as in the module."""
    from lifelines import KaplanMeierFitter

    _, stop, cause, risk = study(seed=5)
    event = cause == 1
    before = np.nextafter(stop, 0)
    uncensored = KaplanMeierFitter().fit(stop, ~event).predict(before).to_numpy()
    top = bottom = 0.0
    for i in np.flatnonzero(event & (stop <= HORIZON)):
        for j in range(stop.size):
            if stop[j] > stop[i]:
                weight = uncensored[i] ** -2
                bottom += weight
                top += weight * ((risk[i] > risk[j]) + 0.5 * (risk[i] == risk[j]))
    found = uno_concordance(risk, stop, event, truncation=HORIZON)
    assert found.estimate == pytest.approx(top / bottom, rel=1e-12)


def binomial_fit(columns, status, weights, offset=None):
    """statsmodels' binomial regression with complementary log-log link."""
    import statsmodels.api as sm

    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    model = sm.GLM(status, columns, family=family, freq_weights=weights, offset=offset)
    return model.fit(tol=1e-13, maxiter=200)


def test_calibration_terms_and_curve_are_the_weighted_regression_of_statsmodels():
    _, stop, cause, risk = study(n=400)
    sample = horizon_sample(stop, cause, HORIZON)
    weights = lifelines_weights(stop, cause)
    status = ((stop <= HORIZON) & (cause == 1)).astype(float)
    line = complementary_log_log(risk)
    one = np.ones(stop.size)
    intercept = binomial_fit(one, status, weights, line).params[0]
    assert calibration_intercept(risk, sample).estimate == pytest.approx(intercept, rel=1e-7)
    slope = binomial_fit(np.column_stack([one, line]), status, weights).params[1]
    assert calibration_slope_at_horizon(risk, sample).estimate == pytest.approx(slope, rel=1e-7)
    knots = spline_knots(line, 3)
    along = np.linspace(0.1, 0.7, 7)
    basis = np.column_stack([one, restricted_cubic_basis(line, knots)])
    there = np.column_stack(
        [np.ones(7), restricted_cubic_basis(complementary_log_log(along), knots)]
    )
    expected = binomial_fit(basis, status, weights).predict(there)
    assert observed_along(risk, sample, knots, along) == pytest.approx(expected, rel=1e-6)


def test_standard_errors_without_censoring_are_the_sandwich_of_statsmodels():
    _, stop, cause, risk = study(censored=False)
    sample = horizon_sample(stop, cause, HORIZON)
    status = ((stop <= HORIZON) & (cause == 1)).astype(float)
    line = complementary_log_log(risk)
    import statsmodels.api as sm

    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    model = sm.GLM(status, np.column_stack([np.ones(stop.size), line]), family=family)
    at = model.fit(tol=1e-13, maxiter=200).params
    bread = np.linalg.inv(-model.hessian(at, observed=True))
    scores = model.score_obs(at)
    expected = np.sqrt(np.diag(bread @ scores.T @ scores @ bread))[1]
    found = calibration_slope_at_horizon(risk, sample)
    assert found.standard_error == pytest.approx(expected, rel=1e-6)


def test_standard_errors_with_censoring_agree_with_leaving_out_one_row_at_a_time():
    """Efron & Tibshirani 1993: the jackknife, weights for censoring estimated anew."""
    _, stop, cause, risk = study(n=300, seed=8)
    everyone = np.arange(300)
    for term in (calibration_intercept, calibration_slope_at_horizon):
        left_out = [
            term(risk[rows], horizon_sample(stop[rows], cause[rows], HORIZON)).estimate
            for rows in (np.delete(everyone, i) for i in everyone)
        ]
        jackknife = np.sqrt(299 / 300 * np.sum((left_out - np.mean(left_out)) ** 2))
        found = term(risk, horizon_sample(stop, cause, HORIZON)).standard_error
        assert found == pytest.approx(jackknife, rel=0.05)


def test_right_risks_have_intercept_zero_and_slope_one():
    """Closed form: exponential cause-specific hazards, 4,000 rows, within 3 standard errors."""
    X, stop, cause, _ = study(n=4000, seed=9)
    first, second = 0.4 * np.exp(0.7 * X[:, 0]), 0.2 * np.exp(-0.4 * X[:, 1])
    true = first / (first + second) * -np.expm1(-(first + second) * HORIZON)
    sample = horizon_sample(stop, cause, HORIZON)
    intercept = calibration_intercept(true, sample)
    slope = calibration_slope_at_horizon(true, sample)
    assert abs(intercept.estimate) < 3 * intercept.standard_error
    assert abs(slope.estimate - 1) < 3 * slope.standard_error
    # The model that is built from the same rows comes close to the true risks.
    built = build_risk_model(X, stop, cause, horizon=HORIZON, penalties=[])(X)
    assert np.abs(built - true).mean() < 0.02


def test_net_benefit_by_weights_is_the_decision_curve_without_censoring():
    """And, with censoring, scikit-learn's weighted confusion matrix (Vickers & Elkin 2006)."""
    from sklearn.metrics import confusion_matrix

    thresholds = np.array([0.1, 0.2, 0.4])
    _, stop, cause, risk = study(censored=False)
    curve = decision_curve(risk, stop, cause, horizon=HORIZON, thresholds=thresholds)
    found, for_all = weighted_net_benefit(risk, horizon_sample(stop, cause, HORIZON), thresholds)
    assert found == pytest.approx(curve.net_benefit, rel=1e-12)
    assert for_all == pytest.approx(curve.act_for_all, rel=1e-12)
    _, stop, cause, risk = study()
    weights = lifelines_weights(stop, cause)
    found, _ = weighted_net_benefit(risk, horizon_sample(stop, cause, HORIZON), thresholds)
    case = (stop <= HORIZON) & (cause == 1)
    for k, threshold in enumerate(thresholds):
        table = confusion_matrix(case, risk >= threshold, sample_weight=weights)
        odds = threshold / (1 - threshold)
        expected = (table[1, 1] - table[0, 1] * odds) / stop.size
        assert found[k] == pytest.approx(expected, rel=1e-9)


def test_risk_of_one_kind_of_end_is_the_cox_prediction_of_lifelines():
    """Limit 1e-5: lifelines stops about 2e-7 short of the maximum that statsmodels also finds."""
    from lifelines import CoxPHFitter

    X, stop, cause, _ = study(seed=6)
    table = pd.DataFrame(X, columns=["a", "b"]).assign(stop=stop, event=cause == 1)
    fitted = CoxPHFitter().fit(table, "stop", "event", fit_options={"precision": 1e-10})
    # Its own prediction interpolates between event times; the hazard is a step.
    hazard = fitted.baseline_cumulative_hazard_.loc[:HORIZON].iloc[-1, 0]
    expected = -np.expm1(-hazard * fitted.predict_partial_hazard(table).to_numpy())
    built = build_risk_model(X, stop, (cause == 1).astype(np.intp), horizon=HORIZON, penalties=[])(
        X
    )
    assert built == pytest.approx(expected, rel=1e-5)


def test_absolute_risk_in_plain_loops_from_the_hazards_of_lifelines():
    """Benichou & Gail 1990: hazard times the probability of no end before, summed over times.

    Limit as above: the coefficients and baselines are those of lifelines.
    """
    from lifelines import CoxPHFitter

    X, stop, cause, _ = study(n=120, seed=7)
    table = pd.DataFrame(X, columns=["a", "b"]).assign(stop=stop)
    steps, relative = [], []
    for code in (1, 2):
        data = table.assign(event=cause == code)
        fitted = CoxPHFitter().fit(data, "stop", "event", fit_options={"precision": 1e-10})
        steps.append(fitted.baseline_hazard_.iloc[:, 0])
        relative.append(fitted.predict_partial_hazard(data).to_numpy())
    expected = np.zeros(120)
    for i in range(120):
        free = 1.0
        for moment in sorted(stop[(stop <= HORIZON) & (cause > 0)]):
            own, other = (s.loc[moment] * r[i] for s, r in zip(steps, relative, strict=True))
            ended = free * -np.expm1(-(own + other))
            expected[i] += ended * own / (own + other)
            free -= ended
    built = build_risk_model(X, stop, cause, horizon=HORIZON, penalties=[])(X)
    assert built == pytest.approx(expected, rel=1e-5)


def test_differences_are_those_of_the_two_models():
    _, stop, cause, risk = study()
    both = np.column_stack([risk, np.clip(risk + 0.1 * np.sin(7 * risk), 0.01, 0.99)])
    knots = spline_knots(complementary_log_log(both[:, 1]), 3)
    judge = judge_all(
        Outcome(stop, cause, HORIZON), np.array([0.1, 0.3]), knots, np.array([0.2, 0.4])
    )
    values = judge(both, np.arange(stop.size))
    for name in ("harrell_c", "uno_c", "auc", "brier", "scaled_brier", "net_benefit/1"):
        difference = values[f"with_metrics/{name}"] - values[f"reference/{name}"]
        assert values[f"added/{name}"] == pytest.approx(difference, abs=1e-15)
    assert np.isfinite(list(values.values())).all()


def test_calibration_without_finite_estimate_is_refused():
    stop, cause = np.array([0.2, 0.4, 2.0, 3.0]), np.array([1, 1, 0, 0])
    sample = horizon_sample(stop, cause, HORIZON)
    with pytest.raises(SurvivalDataError, match="no finite estimate"):
        calibration_slope_at_horizon(np.array([0.9, 0.8, 0.1, 0.05]), sample)
    with pytest.raises(SurvivalDataError, match="all risks are equal"):
        calibration_slope_at_horizon(np.full(4, 0.3), sample)
    with pytest.raises(SurvivalDataError, match="strictly between 0 and 1"):
        calibration_intercept(np.array([1.0, 0.5, 0.1, 0.2]), sample)
