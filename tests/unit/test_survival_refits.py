"""Episodes, leaving events out, ridge and clusters of the Fine-Gray model: by their definitions."""

import numpy as np
import pytest
from scipy import optimize

from analysis.competing.fine_gray import fit_fine_gray
from analysis.survival.cox import fit_cox
from analysis.survival.cox_likelihood import partial_likelihood
from analysis.survival.cox_residuals import dfbeta_residuals
from analysis.survival.cox_sample import cox_sample
from analysis.survival.episodes import split_follow_up
from analysis.survival.errors import SurvivalDataError
from analysis.survival.influence import leave_one_event_out
from analysis.survival.ridge import best_ridge, fit_ridge


@pytest.fixture(scope="module")
def cohort():
    generator = np.random.default_rng(7)
    X = generator.normal(size=(80, 3)) * [1.0, 20.0, 0.1]
    stop = np.ceil(generator.exponential(300, size=80) * np.exp(-0.4 * X[:, 0]))
    return X, stop, (generator.uniform(size=80) < 0.6).astype(int)


def test_split_rows_cover_the_same_time_and_events(cohort):
    _, stop, event = cohort
    pieces = split_follow_up(stop, event, [100, 250])
    assert np.bincount(pieces.rows, weights=pieces.stop - pieces.start) == pytest.approx(stop)
    assert np.bincount(pieces.rows, weights=pieces.event).tolist() == event.tolist()
    assert (pieces.stop[pieces.period == 0] <= 100).all()
    assert (pieces.start[pieces.period == 2] >= 250).all()


def test_an_event_at_the_cut_belongs_to_the_period_that_ends_there():
    pieces = split_follow_up([100], [1], [100])
    assert (pieces.period.tolist(), pieces.event.tolist()) == ([0], [True])


def test_one_ratio_per_period_equals_separate_fits(cohort):
    """A ratio for each period: the fit on the first period alone, and that after it."""
    X, stop, event = cohort
    pieces = split_follow_up(stop, event, [200])
    x = X[pieces.rows, 0]
    both = np.column_stack([x * (pieces.period == 0), x * (pieces.period == 1)])
    joint = fit_cox(cox_sample(both, pieces.stop, pieces.event, start=pieces.start))
    early = fit_cox(cox_sample(X[:, 0], np.minimum(stop, 200), event * (stop <= 200)))
    later = stop > 200
    late = fit_cox(
        cox_sample(X[later, 0], stop[later], event[later], start=np.full(later.sum(), 200.0))
    )
    expected = [early.coefficients[0], late.coefficients[0]]
    assert joint.coefficients == pytest.approx(expected, rel=1e-8)


def test_cuts_must_ascend(cohort):
    _, stop, event = cohort
    with pytest.raises(SurvivalDataError, match="cuts: expected ascending times"):
        split_follow_up(stop, event, [250, 100])


def test_leaving_one_event_out_is_near_its_dfbeta_and_exact(cohort):
    X, stop, event = cohort
    sample = cox_sample(X, stop, event)
    fit = fit_cox(sample)
    without = leave_one_event_out(sample)
    assert without.left_out.tolist() == np.flatnonzero(event).tolist()
    row = without.left_out[0]
    kept = np.arange(80) != row
    direct = fit_cox(cox_sample(X[kept], stop[kept], event[kept]))
    assert without.coefficients[0] == pytest.approx(direct.coefficients, rel=1e-9)
    change = fit.coefficients - without.coefficients
    approximate = dfbeta_residuals(sample, fit)[without.left_out]
    assert np.corrcoef(change[:, 0], approximate[:, 0])[0, 1] > 0.98


def test_leaving_the_only_event_out_is_marked_not_hidden():
    without = leave_one_event_out(cox_sample([0.0, 2.0, 1.0], [1, 2, 3], [0, 1, 0]))
    assert without.refused.tolist() == [True]
    assert np.isnan(without.coefficients).all()


def test_ridge_maximises_the_penalised_likelihood(cohort):
    """Compared with a general-purpose optimiser on the penalised likelihood per SD."""
    X, stop, event = cohort
    sample = cox_sample(X, stop, event)
    sd = X.std(axis=0)

    def loss(gamma):
        at = partial_likelihood(sample, gamma / sd * sample.scale, "efron")
        return -at.log_likelihood + 5.0 * gamma @ gamma / 2

    best = optimize.minimize(loss, np.zeros(3), options={"gtol": 1e-9})
    fit = fit_ridge(sample, 5.0)
    assert fit.coefficients * sd == pytest.approx(best.x, abs=1e-6)
    assert 0 < fit.effective_df < 3


def test_ridge_goes_from_the_plain_fit_to_zero_and_takes_collinear_columns(cohort):
    X, stop, event = cohort
    plain = fit_cox(cox_sample(X, stop, event))
    assert fit_ridge(cox_sample(X, stop, event), 1e-9).coefficients == pytest.approx(
        plain.coefficients, rel=1e-7
    )
    assert np.abs(fit_ridge(cox_sample(X, stop, event), 1e9).coefficients).max() < 1e-4
    twice = fit_ridge(cox_sample(np.column_stack([X[:, 0], X[:, 0]]), stop, event), 2.0)
    once = fit_ridge(cox_sample(X[:, 0], stop, event), 1.0)
    assert twice.coefficients == pytest.approx([once.coefficients[0] / 2] * 2, rel=1e-8)


def test_best_ridge_has_the_best_criterion(cohort):
    X, stop, event = cohort
    sample = cox_sample(X, stop, event)
    grid = [0.01, 1.0, 10.0, 100.0]
    best = best_ridge(sample, grid)
    assert best.penalty in grid
    assert best.criterion == max(fit_ridge(sample, penalty).criterion for penalty in grid)


def test_fine_gray_clusters_of_doubled_rows_double_the_naive_information(cohort):
    """Every row twice: clustering the copies gives back the covariance of the single rows."""
    X, stop, event = cohort
    cause = event * (1 + np.arange(80) % 3 // 2)
    single = fit_fine_gray(X, stop, cause)
    doubled = fit_fine_gray(
        np.vstack([X, X]), np.tile(stop, 2), np.tile(cause, 2), cluster=np.tile(np.arange(80), 2)
    )
    assert doubled.n_clusters == 80
    assert doubled.coefficients == pytest.approx(single.coefficients, rel=1e-9)
    assert doubled.covariance == pytest.approx(single.covariance, rel=1e-8)
