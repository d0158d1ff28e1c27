"""Predicted effects, residuals, leverage, influence, residual variance per stratum."""

import numpy as np
import pytest

from analysis.mixed import (
    fit_mixed,
    kenward_roger_t,
    nested_labels,
    random_intercept,
    random_slopes,
    satterthwaite_t,
)
from analysis.mixed.design import ModelRefusedError
from analysis.mixed.influence import influence_at_fixed_variances, influence_by_refitting
from analysis.mixed.likelihood_ratio import likelihood_ratio_test
from analysis.mixed.random_effects import predict_random_effects
from analysis.mixed.residuals import residuals
from tests.published.mixed_data import FITS, reference, sleepstudy, table


def _unbalanced(seed: int = 2):
    generator = np.random.default_rng(seed)
    athlete = np.repeat(np.arange(9), [4, 7, 5, 8, 6, 3, 9, 5, 6])
    visit = nested_labels(athlete, generator.integers(0, 2, athlete.size))
    limb = generator.integers(0, 2, athlete.size)
    x = generator.normal(size=athlete.size)
    outcome = 1 + x + generator.normal(size=9)[athlete] + 0.7 * generator.normal(size=30)[visit]
    outcome = outcome + np.where(limb == 1, 1.5, 0.6) * generator.normal(size=athlete.size)
    fixed = np.column_stack([np.ones(x.size), x])
    terms = [random_intercept("athlete", athlete), random_intercept("visit", visit)]
    return outcome, fixed, terms, np.where(limb == 1, "involved", "uninvolved")


def _dense(fit):
    """Full covariance V, residual variances and V^-1 of a fit with random intercepts."""
    design = fit.problem.design
    deviations = np.array([fit.residual_deviations[s] for s in design.strata_names])
    R = np.diag(deviations[design.strata] ** 2)
    V = R.copy()
    for component, codes in zip(fit.components, design.codes, strict=True):
        V += component.covariance[0, 0] * (codes[:, None] == codes[None, :])
    return V, R, np.linalg.inv(V)


def test_predicted_effects_of_sleepstudy() -> None:
    # statistics.json (ranef and condVar of lme4 1.1-31); its optimum is 6e-6 off, see the fit.
    entry = reference("05_lmm", "sleep_reml")
    found = predict_random_effects(sleepstudy())[0]
    expected = np.array([[row["(Intercept)"], row["Days"]] for row in entry["blup"]])
    np.testing.assert_allclose(found.values, expected, atol=3e-4)
    spread = np.column_stack([entry["condsd"]["i"], entry["condsd"]["d"]])
    np.testing.assert_allclose(found.conditional_deviations, spread, rtol=5e-6)
    assert found.levels[0] == 308
    # Printed in Bates et al. 2015 and the lme4 manual: first subject 2.2586, 9.1990.
    np.testing.assert_allclose(found.values[0], [2.2586, 9.1990], atol=1e-4)


def test_reliability_of_an_intercept_is_the_shrinkage_of_the_mean() -> None:
    # Rosner, Spiegelman & Willett 1992: s_b^2 / (s_b^2 + s_w^2 / k).
    fit = FITS["rail"]()
    between, within = fit.component("Rail").covariance[0, 0], fit.sigma**2
    found = predict_random_effects(fit)[0]
    shrinkage = between / (between + within / 3)
    np.testing.assert_allclose(found.reliabilities, shrinkage, rtol=1e-10)
    means = table("nlme", "Rail").groupby("Rail").travel.mean().to_numpy()
    np.testing.assert_allclose(found.values[:, 0], shrinkage * (means - means.mean()), rtol=1e-8)
    assert np.all(found.prediction_deviations > found.conditional_deviations)


def test_zero_variance_predicts_nothing_with_reliability_zero() -> None:
    data = table("lme4", "Dyestuff2")
    fit = fit_mixed(data.Yield, np.ones(30), [random_intercept("Batch", data.Batch)])
    found = predict_random_effects(fit)[0]
    assert np.all(found.values == 0.0)
    assert np.all(found.reliabilities == 0.0)


def test_residuals_equal_the_dense_formulas() -> None:
    outcome, fixed, terms, limb = _unbalanced()
    fit = fit_mixed(outcome, fixed, terms, residual_strata=limb)
    V, R, inverse = _dense(fit)
    found = residuals(fit)
    phi = np.linalg.inv(fixed.T @ inverse @ fixed)
    np.testing.assert_allclose(phi, fit.covariance, rtol=1e-7)
    beta = phi @ fixed.T @ inverse @ outcome
    np.testing.assert_allclose(beta, fit.coefficients, rtol=1e-8)
    marginal = outcome - fixed @ beta
    hat_fixed = fixed @ phi @ fixed.T @ inverse
    projection = inverse @ (np.eye(outcome.size) - hat_fixed)
    np.testing.assert_allclose(found.marginal, marginal, atol=1e-8)
    np.testing.assert_allclose(found.conditional, R @ inverse @ marginal, atol=1e-7)
    np.testing.assert_allclose(found.fixed_leverage, np.diag(hat_fixed), rtol=1e-6)
    np.testing.assert_allclose(found.leverage, 1 - np.diag(R @ projection), rtol=1e-6)
    assert found.fixed_leverage.sum() == pytest.approx(2.0, rel=1e-9)
    # Uncorrelated with variance one: their squares add up to the quadratic form.
    assert found.independent @ found.independent == pytest.approx(
        marginal @ inverse @ marginal, rel=1e-8
    )
    assert V.shape == R.shape


def test_influence_at_fixed_variances_is_generalised_least_squares_without_the_group() -> None:
    outcome, fixed, terms, limb = _unbalanced()
    fit = fit_mixed(outcome, fixed, terms, residual_strata=limb)
    V, _, _ = _dense(fit)
    found = influence_at_fixed_variances(fit, "athlete")
    for k, level in enumerate(found.levels):
        kept = terms[0].labels != level
        inverse = np.linalg.inv(V[np.ix_(kept, kept)])
        X, y = fixed[kept], outcome[kept]
        phi = np.linalg.inv(X.T @ inverse @ X)
        np.testing.assert_allclose(found.coefficients[k], phi @ X.T @ inverse @ y, rtol=1e-7)
        assert found.covariance_ratios[k] == pytest.approx(
            np.linalg.det(phi) / np.linalg.det(fit.covariance), rel=1e-6
        )
    refitted = influence_by_refitting(fit, "athlete")
    np.testing.assert_array_equal(found.levels, refitted.levels)
    assert np.corrcoef(found.distances, refitted.distances)[0, 1] > 0.9


def test_influence_finds_the_planted_athlete() -> None:
    outcome, fixed, terms, _ = _unbalanced()
    outcome = np.where(terms[0].labels == 4, outcome + 3 * fixed[:, 1], outcome)
    found = influence_at_fixed_variances(fit_mixed(outcome, fixed, terms), "athlete")
    assert found.levels[np.argmax(np.abs(found.changes[:, 1]))] == 4


def test_influence_of_crossed_groups_asks_for_refitting() -> None:
    data = table("lme4", "Penicillin")
    terms = [random_intercept("plate", data.plate), random_intercept("sample", data["sample"])]
    fit = fit_mixed(data.diameter, np.ones(len(data)), terms)
    with pytest.raises(ModelRefusedError, match="influence_by_refitting"):
        influence_at_fixed_variances(fit, "sample")
    # Balanced: without a sample the mean is the mean of the others.
    found = influence_by_refitting(fit, "sample")
    for level, beta in zip(found.levels, found.coefficients[:, 0], strict=True):
        assert beta == pytest.approx(data.diameter[data["sample"] != level].mean(), rel=1e-8)


def _dense_restricted_deviance(fit) -> float:
    _, _, inverse = _dense(fit)
    design = fit.problem.design
    X, y = design.fixed, design.response
    phi_inverse = X.T @ inverse @ X
    left = y - X @ np.linalg.solve(phi_inverse, X.T @ inverse @ y)
    return float(
        -np.linalg.slogdet(inverse)[1]
        + np.linalg.slogdet(phi_inverse)[1]
        + left @ inverse @ left
        + (y.size - X.shape[1]) * np.log(2 * np.pi)
    )


def test_limb_specific_residual_variance() -> None:
    outcome, fixed, terms, limb = _unbalanced()
    common = fit_mixed(outcome, fixed, terms)
    separate = fit_mixed(outcome, fixed, terms, residual_strata=limb)
    assert separate.converged
    assert separate.deviance == pytest.approx(_dense_restricted_deviance(separate), rel=1e-10)
    assert separate.residual_deviations["involved"] > separate.residual_deviations["uninvolved"]
    assert separate.n_parameters == common.n_parameters + 1
    assert likelihood_ratio_test(common, separate).df == 1
    # Nothing in the model prefers one stratum: swapping the names swaps the estimates.
    swapped = fit_mixed(
        outcome, fixed, terms, residual_strata=np.where(limb == "involved", "a", "b")[::1]
    )
    assert swapped.residual_deviations["a"] == pytest.approx(
        separate.residual_deviations["involved"], rel=1e-7
    )
    assert all(np.isfinite(t.df) for t in satterthwaite_t(separate) + kenward_roger_t(separate))


def test_two_strata_without_random_variance_have_the_welch_solution() -> None:
    # With no variance between groups and one mean per stratum, REML gives each stratum its own
    # sample variance, and Satterthwaite on the difference is Welch 1947 (Biometrika 34:28).
    generator = np.random.default_rng(8)
    stratum = np.tile([0, 1], 60)
    group = np.repeat(np.arange(12), 10)
    outcome = generator.normal(size=120) * np.where(stratum == 1, 3.0, 1.0) + stratum
    # Remove every group mean within stratum, so that the estimated group variance is zero.
    for g in range(12):
        for s in (0, 1):
            rows = (group == g) & (stratum == s)
            outcome[rows] -= outcome[rows].mean() - s
    fixed = np.column_stack([np.ones(120), stratum])
    fit = fit_mixed(outcome, fixed, [random_intercept("group", group)], residual_strata=stratum)
    assert fit.singular
    variances = [outcome[stratum == s].var(ddof=1) for s in (0, 1)]
    assert [s**2 for s in fit.residual_deviations.values()] == pytest.approx(variances, rel=1e-6)
    shares = np.array(variances) / 60
    welch = shares.sum() ** 2 / np.sum(shares**2 / 59)
    assert satterthwaite_t(fit)[1].df == pytest.approx(welch, rel=1e-5)
    assert fit.standard_errors[1] == pytest.approx(np.sqrt(shares.sum()), rel=1e-6)


def test_statsmodels_agrees_where_it_is_right() -> None:
    # Independent second opinion: statsmodels MixedLM on centred data (it fails on uncentred ones).
    from statsmodels.regression.mixed_linear_model import MixedLM

    generator = np.random.default_rng(4)
    athlete = np.repeat(np.arange(30), generator.integers(4, 9, 30))
    x = generator.normal(size=athlete.size)
    outcome = 2 + 0.5 * x + generator.normal(size=30)[athlete]
    outcome = outcome + 0.6 * generator.normal(size=30)[athlete] * x
    outcome = outcome + generator.normal(size=athlete.size)
    fixed = np.column_stack([np.ones(x.size), x])
    ours = fit_mixed(outcome, fixed, [random_slopes("athlete", athlete, x, ["x"])])
    theirs = MixedLM(outcome, fixed, athlete, exog_re=fixed).fit(reml=True, gtol=1e-8)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)
    np.testing.assert_allclose(ours.coefficients, theirs.fe_params, rtol=1e-5)
    np.testing.assert_allclose(ours.components[0].covariance, theirs.cov_re, rtol=1e-3, atol=1e-4)
    # Its standard errors come from the joint information of fixed and random parameters, which in
    # unbalanced data differs slightly from (X' V^-1 X)^-1.
    np.testing.assert_allclose(ours.standard_errors, theirs.bse_fe, rtol=5e-3)
