"""Bad or hopeless data: a refusal that names the place, or a finite result that is flagged."""

import numpy as np
import pytest

from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.errors import NotIdentifiableError, SurvivalDataError

N = 40


@pytest.fixture
def generator():
    return np.random.default_rng(20240229)


@pytest.fixture
def covariates(generator):
    return generator.normal(size=(N, 2))


@pytest.fixture
def stop(generator):
    return generator.exponential(scale=300.0, size=N).round(1) + 1


@pytest.fixture
def event():
    return np.arange(N) % 2


def test_no_events_is_refused(covariates, stop):
    with pytest.raises(SurvivalDataError, match="none of the 40 rows ends with an event"):
        cox_sample(covariates, stop, np.zeros(N))


def test_one_event_gives_a_finite_flagged_fit(covariates, stop):
    only = np.zeros(N)
    only[np.argsort(stop)[5]] = 1
    fit = fit_cox(cox_sample(covariates[:, :1], stop, only))
    assert np.isfinite(fit.coefficients).all()
    assert np.isfinite(fit.covariance).all()
    assert fit.n_events == 1
    extreme = covariates[:, 0].copy()
    extreme[only == 1] = 9.0
    flagged = fit_cox(cox_sample(extreme, stop, only, names=["speed"]))
    assert flagged.monotone
    assert flagged.diverging == ("speed",)
    assert np.isfinite(flagged.coefficients).all()


def test_all_events_in_one_group_are_flagged_not_estimated(covariates, stop, event):
    X = np.column_stack([event | (np.arange(N) % 4 == 0), covariates[:, 0]])
    fit = fit_cox(cox_sample(X, stop, event, names=["group", "age"]))
    assert fit.monotone
    assert not fit.converged
    assert fit.diverging == ("group",)
    assert np.isfinite(fit.coefficients).all()
    assert np.isfinite(fit.covariance).all()
    assert np.isfinite([fit.wald.p, fit.score.p, fit.likelihood_ratio.p]).all()
    # The other coefficient is that of the limit: the fit among the group that has events.
    inside = X[:, 0] == 1
    limit = fit_cox(cox_sample(X[inside, 1], stop[inside], event[inside]))
    assert fit.coefficients[1] == pytest.approx(limit.coefficients[0], abs=1e-6)
    assert fit.log_likelihood == pytest.approx(limit.log_likelihood, abs=1e-9)


@pytest.mark.parametrize("late", [False, True])
def test_monotone_combination_of_two_covariates_is_flagged(generator, late):
    """Neither covariate separates, their sum does: the events leave in the order of the sum."""
    X = generator.normal(size=(N, 2))
    stop = 100.0 - np.argsort(np.argsort(X.sum(axis=1)))
    start = np.where(np.arange(N) % 3 == 0, 0.0, 10.0) if late else None
    fit = fit_cox(cox_sample(X, stop, np.ones(N), start=start, names=["a", "b"]))
    assert fit.monotone
    assert fit.diverging == ("a", "b")
    assert np.isfinite(fit.coefficients).all()


def test_strong_but_finite_effect_is_not_flagged(generator):
    x = np.repeat([0.0, 1.0], 200)
    stop = generator.exponential(np.where(x == 1, 1.0, 300.0))
    fit = fit_cox(cox_sample(x, stop, np.ones(400)))
    assert fit.converged
    assert not fit.monotone


def test_constant_covariate_is_named(covariates, stop, event):
    X = np.column_stack([covariates[:, 0], np.full(N, 1.1)])
    with pytest.raises(NotIdentifiableError, match="'height' does not vary"):
        fit_cox(cox_sample(X, stop, event, names=["age", "height"]))


def test_covariate_constant_within_strata_is_named(covariates, stop, event):
    site = np.arange(N) % 3
    X = np.column_stack([covariates[:, 0], site == 1])
    with pytest.raises(NotIdentifiableError, match="'at_site_1' does not vary"):
        fit_cox(cox_sample(X, stop, event, strata=site, names=["age", "at_site_1"]))


def test_collinear_covariates_are_named(covariates, stop, event):
    X = np.column_stack([covariates, 2 * covariates[:, 0] - covariates[:, 1] + 7])
    with pytest.raises(NotIdentifiableError, match="'sum' is a combination of left, right"):
        fit_cox(cox_sample(X, stop, event, names=["left", "right", "sum"]))


def test_negative_time_is_refused(covariates, stop, event):
    stop[7] = -3
    with pytest.raises(SurvivalDataError, match=r"stop: negative time in row 7 \(-3.0\)"):
        cox_sample(covariates, stop, event)


def test_entry_after_exit_is_refused(covariates, stop, event):
    start = np.zeros(N)
    start[4] = stop[4] + 2
    with pytest.raises(SurvivalDataError, match="start: entry is not before exit in row 4"):
        cox_sample(covariates, stop, event, start=start)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_missing_or_infinite_covariate_is_refused(covariates, stop, event, value):
    covariates[11, 1] = value
    with pytest.raises(SurvivalDataError, match=r"covariate 'peak': missing or infinite .* row 11"):
        cox_sample(covariates, stop, event, names=["age", "peak"])


def test_missing_time_event_stratum_or_text_is_refused(covariates, stop, event):
    with pytest.raises(SurvivalDataError, match="stop: missing or infinite value in row 2"):
        cox_sample(covariates, np.where(np.arange(N) == 2, np.nan, stop), event)
    with pytest.raises(SurvivalDataError, match=r"event: expected 0 or 1, found row 3 \(2.0\)"):
        cox_sample(covariates, stop, np.where(np.arange(N) == 3, 2, event))
    site = np.array(["harbour"] * N, dtype=object)
    site[6] = None
    with pytest.raises(SurvivalDataError, match="strata: missing label in row 6"):
        cox_sample(covariates, stop, event, strata=site)
    with pytest.raises(SurvivalDataError, match="stop: expected numbers"):
        cox_sample(covariates, ["soon"] * N, event)


def test_weights_must_be_positive(covariates, stop, event):
    weights = np.ones(N)
    weights[1] = 0
    with pytest.raises(SurvivalDataError, match="weights: expected positive weights, found row 1"):
        cox_sample(covariates, stop, event, weights=weights)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_two_thousand_tied_times(generator, ties):
    """All 2,000 events at one time: both methods stay finite and fast."""
    X = generator.normal(size=(4000, 3))
    stop = np.where(np.arange(4000) < 2000, 5.0, 9.0)
    fit = fit_cox(cox_sample(X, stop, stop == 5.0), ties=ties, robust=True)
    assert fit.converged
    assert np.isfinite(fit.robust_covariance).all()
    assert np.abs(fit.coefficients).max() < 0.2


def test_huge_covariate_values_do_not_overflow(stop, event, generator):
    x = generator.normal(size=N) * 1e100
    fit = fit_cox(cox_sample(x, stop, event))
    assert fit.converged
    assert np.isfinite(fit.log_likelihood)
