"""Error of measurement: variance components, correlated errors and their correction, planted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, norm

from analysis.mixed import ModelRefusedError
from analysis.models.measurement_error import (
    ErrorModel,
    NotCorrectableError,
    correct,
    pooled,
    residual_covariance,
    within_correlation,
)
from analysis.models.reliability import error_correlation, predictor_trials, variance_components
from analysis.models.sensor_answer import events_needed
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from tests.unit import cohort_tables as tables

ATHLETE, VISIT, TRIAL = 1.0, 0.5, 0.8  # standard deviations that tables.trials plants


@pytest.fixture(scope="module")
def trials():
    rng = np.random.default_rng(8)
    people = tables.athletes(1200, rng)
    predictor = tables.plan()["primary"][0]
    metrics = tables.trials(people, [predictor], rng)
    return predictor_trials(metrics, people, predictor, tables.plan()["cox"]["covariates"])


def test_components_are_those_that_were_planted(trials):
    found = variance_components(trials, tables.plan()["cox"]["covariates"], "clearance")
    deviations = np.sqrt([found.athlete, found.visit, found.trial])
    # Standard errors at this size are about 0.03, 0.02 and 0.01.
    np.testing.assert_allclose(deviations, [ATHLETE, VISIT, TRIAL], atol=0.07)
    assert (found.n_athletes, found.n_repeated) == (1200, 600)


def test_reliability_of_a_mean_of_three_trials(trials):
    found = variance_components(trials, [], "clearance")
    total = found.athlete + found.visit + found.trial / 3
    assert found.reliability("visit", 1 / 3) == pytest.approx(found.athlete / total)
    assert found.reliability("trial", 1 / 3) == pytest.approx((found.athlete + found.visit) / total)


def test_without_second_visits_the_habitual_value_is_out_of_reach(trials):
    once = trials.loc[trials["visit"] == "clearance"]
    found = variance_components(once, [], "clearance")
    assert found.visit is None
    assert found.error("trial", 1 / 3) > 0
    with pytest.raises(ModelRefusedError, match="two visits"):
        found.error("visit", 1 / 3)


def test_errors_of_predictors_correlate_only_where_they_share_trials():
    """Two metrics of the same trials with error correlation 0.6; a third of another task."""
    rng = np.random.default_rng(9)
    count = 800
    keys = pd.MultiIndex.from_product(
        [[f"A{n}" for n in range(count)], ["clearance"], [1, 2, 3]],
        names=["athlete_id", "visit", "trial"],
    ).to_frame(index=False)
    athlete = np.repeat(rng.standard_normal((count, 3)), 3, axis=0)
    root = np.linalg.cholesky([[1, 0.6, 0], [0.6, 1, 0], [0, 0, 1]])
    values = athlete + rng.standard_normal((3 * count, 3)) @ root.T
    rows = {
        name: keys.assign(task="jump" if name == "c" else "drop", side="left", value=values[:, n])
        for n, name in enumerate("abc")
    }
    found = error_correlation(rows, "trial")
    np.testing.assert_allclose(found[:2, :2], [[1, 0.6], [0.6, 1]], atol=0.04)
    np.testing.assert_array_equal(found[2], [0, 0, 1])


def test_a_missing_value_does_not_weaken_a_correlation():
    values = np.array([[1.0, 2.0], [3.0, 4.0], [0.0, np.nan], [-2.0, 1.0], [0.0, 3.0]])
    found = within_correlation(values, np.array([0, 0, 0, 1, 1]))
    left = np.array([[1 - 4 / 3, -1], [3 - 4 / 3, 1], [-1, -1], [1, 1]])
    expected = (left[:, 0] @ left[:, 1]) / np.sqrt((left**2).sum(axis=0).prod())
    assert found[0, 1] == pytest.approx(expected)


def test_joint_correction_undoes_correlated_errors():
    """Linear regression on 400,000 rows: two correlated predictors, correlated errors, one
    covariate. The measured coefficients are far off, the corrected ones are the planted ones."""
    rng = np.random.default_rng(10)
    count = 400_000
    covariate = rng.standard_normal(count)
    root = np.linalg.cholesky([[1, -0.4], [-0.4, 1]])
    true = rng.standard_normal((count, 2)) @ root.T + 0.3 * covariate[:, None]
    error = np.array([[0.5, 0.3], [0.3, 0.4]])
    measured = true + rng.standard_normal((count, 2)) @ np.linalg.cholesky(error).T
    planted = np.array([0.5, 0.5])
    response = true @ planted + 0.2 * covariate + rng.standard_normal(count)
    given = np.column_stack([np.ones(count), covariate])
    columns = np.column_stack([measured, given])
    naive = np.linalg.lstsq(columns, response, rcond=None)[0][:2]
    assert np.abs(naive - planted).min() > 0.15
    covariance, df = residual_covariance(measured, given)
    model = ErrorModel(covariance, error, df, df, measured.var(axis=0, ddof=1))
    found = correct(naive, np.eye(2) * 1e-6, model, np.random.default_rng(0))
    np.testing.assert_allclose(found.coefficients, planted, atol=0.01)
    expected = np.sqrt(true.var(axis=0, ddof=1))
    np.testing.assert_allclose(model.true_deviation, expected, rtol=0.01)


def test_the_interval_widens_with_what_is_unknown_about_the_error():
    spread = [
        correct(
            np.array([0.5]),
            np.array([[0.01]]),
            ErrorModel(np.eye(1), np.eye(1) * 0.3, 200.0, df, np.ones(1)),
            np.random.default_rng(0),
        ).standard_errors()[0]
        for df in (10.0, 100.0, 1e6)
    ]
    assert spread[0] > spread[1] > spread[2] > 0.1 / 0.7


def test_limits_with_error_known_exactly_are_those_of_the_normal_distribution():
    model = ErrorModel(np.eye(1), np.eye(1) * 0.25, 1e9, 1e9, np.ones(1))
    found = correct(np.array([0.3]), np.array([[0.04]]), model, np.random.default_rng(0))
    at, se = 0.3 / 0.75, 0.2 / 0.75
    expected = [at - norm.ppf(0.975) * se, at + norm.ppf(0.975) * se]
    np.testing.assert_allclose(found.limits(0.95)[0], expected, rtol=1e-3)
    np.testing.assert_allclose(found.standard_errors()[0], se, rtol=1e-3)
    np.testing.assert_allclose(found.p_values()[0], 2 * norm.sf(at / se), rtol=1e-3)


def test_limits_follow_what_is_unknown_about_the_spread():
    """One predictor, known error 0.3, coefficient known: b M / (M - 0.3) with M a chi-squared.

    Closed form: it falls with M, so its quantiles are those of M, in turn.
    """
    df = 40
    model = ErrorModel(np.eye(1), np.eye(1) * 0.3, df, 1e9, np.ones(1))
    found = correct(np.array([0.5]), np.array([[1e-12]]), model, np.random.default_rng(2))
    spread = chi2.ppf([0.975, 0.025], df) / df
    # 2000 draws: the share beyond a limit has a standard error of 0.0035, the upper limit one of
    # 1.8 %; three of them.
    np.testing.assert_allclose(found.limits(0.95)[0], 0.5 * spread / (spread - 0.3), rtol=0.055)


def test_p_is_the_level_at_which_the_interval_ends_at_zero():
    model = ErrorModel(np.eye(2), np.eye(2) * 0.4, 100.0, 12.0, np.ones(2))
    found = correct(np.array([0.3, -0.2]), np.eye(2) * 0.03, model, np.random.default_rng(3))
    for place, p in enumerate(found.p_values()):
        assert np.abs(found.limits(1 - p)[place]).min() == pytest.approx(0.0, abs=1e-6)


def test_pooled_corrections_follow_rubins_rule_where_the_error_is_known():
    """Three data sets, error known exactly: normal, W + (1 + 1/3) B of the corrected ones."""
    model = ErrorModel(np.eye(1), np.eye(1) * 0.2, 1e9, 1e9, np.ones(1))
    naive, variance = np.array([0.2, 0.3, 0.46]), np.array([0.03, 0.04, 0.05])
    found = pooled(
        [
            correct(np.array([b]), np.array([[v]]), model, np.random.default_rng(4))
            for b, v in zip(naive, variance, strict=True)
        ]
    )
    se = np.sqrt(variance.mean() + (1 + 1 / 3) * naive.var(ddof=1)) / 0.8
    expected = naive.mean() / 0.8 + norm.ppf([0.025, 0.975]) * se
    np.testing.assert_allclose(found.limits(0.95)[0], expected, rtol=1e-3)


def test_error_as_large_as_the_variation_is_refused():
    model = ErrorModel(np.eye(2), np.eye(2) * 1.1, 100.0, 100.0, np.ones(2))
    with pytest.raises(NotCorrectableError, match="too few trials"):
        correct(np.ones(2), np.eye(2), model, np.random.default_rng(0))


def _measured_with_error(count, rng):
    """Return a covariate, a true value that it explains by half, and a measurement of it.

    var(true) = 1, var(true | covariate) = 0.5, var(error) = 0.5: conditional reliability 1/2,
    marginal 2/3.
    """
    covariate = rng.standard_normal(count)
    true = np.sqrt(0.5) * (covariate + rng.standard_normal(count))
    return covariate, true, true + np.sqrt(0.5) * rng.standard_normal(count)


EXACT = ErrorModel(np.array([[1.0]]), np.array([[0.5]]), 1e6, 1e6, np.array([1.5]))
"""The covariances of `_measured_with_error`."""


def test_what_error_leaves_in_an_adjusted_model_in_closed_form():
    """Normal regression: E(true | measured, z) has slope S_true|z / S_measured|z = 1/2 per unit;
    per SD: 1/2 * sqrt(3/2) / 1. The root of either reliability, 0.707 or 0.816, is not that."""
    assert EXACT.reliability[0] == pytest.approx(1 / 2)
    assert EXACT.marginal_reliability[0] == pytest.approx(2 / 3)
    assert EXACT.attenuation[0] == pytest.approx(0.5 * np.sqrt(1.5))
    assert EXACT.explained[0] == pytest.approx(1 / 3)
    alone = ErrorModel(np.array([[1.5]]), np.array([[0.5]]), 1e6, 1e6, np.array([1.5]))
    assert alone.attenuation[0] == pytest.approx(np.sqrt(alone.reliability[0]))


def test_events_for_a_measured_value_are_those_for_the_true_one_over_the_reliability():
    """Without adjustment: 47.74 / 0.7 = 68 events for 1.5 per true SD (Schoenfeld 1983; the study's
    reference on measurement error). With it: Hsieh & Lavori 2000, the true value's share left."""
    settings = tables.plan()
    alone = ErrorModel(np.array([[1.0]]), np.array([[0.3]]), 1e6, 1e6, np.array([1.0]))
    left = 1.5 ** alone.attenuation[0]
    assert events_needed(left, settings, alone.explained[0]) == pytest.approx(68.2, abs=0.05)
    left = 1.5 ** EXACT.attenuation[0]
    # z^2 / (log(1.5)^2 var(true | z) / var(true)) / conditional reliability
    expected = events_needed(1.5, settings) / 0.5 / 0.5
    assert events_needed(left, settings, EXACT.explained[0]) == pytest.approx(expected)


def test_a_simulated_adjusted_cox_model_shows_what_error_leaves():
    """Rare events (regression calibration is exact in that limit), 200,000 athletes."""
    rng = np.random.default_rng(21)
    count = 200_000
    covariate, true, measured = _measured_with_error(count, rng)
    end = rng.exponential(1.0, count) / (0.02 * np.exp(np.log(1.5) * true + 0.3 * covariate))
    event = end < 1.0
    step = measured.std(ddof=1)
    columns = np.column_stack([measured / step, covariate])
    fit = fit_cox(cox_sample(columns, np.minimum(end, 1.0), event))
    found, error = fit.coefficients[0], float(np.sqrt(fit.covariance[0, 0]))
    expected = np.log(1.5) * EXACT.attenuation[0]
    assert found == pytest.approx(expected, abs=3 * error)
    assert abs(np.log(1.5) * np.sqrt(0.5) - found) > 3 * error  # root of the reliability
    # The events behind the stated power: (z / effect)^2 times events times variance.
    spread = error**2 * event.sum()
    wanted = events_needed(1.5 ** EXACT.attenuation[0], tables.plan(), EXACT.explained[0])
    z = 1.959964 + 0.841621
    assert spread * (z / expected) ** 2 == pytest.approx(wanted, rel=0.03)
