"""Random draws of the imputation against closed forms: t, truncated normal, donors by hand.

Closed forms: the posterior predictive distribution of a normal regression under the flat prior is
Student's t (Gelman et al., Bayesian Data Analysis, 3rd edition, section 14.2; by memory); moments
of a truncated normal distribution by scipy.stats.truncnorm.
"""

import numpy as np
import pytest
from scipy import stats

from analysis.imputation.chained import impute_many, incomplete
from analysis.imputation.convergence import potential_scale_reduction
from analysis.imputation.draws import draw_above, draw_donors, draw_regression

DRAWS = 2000
# A correct test fails by chance once in ten thousand seeds; the seeds are fixed.
SMALLEST_P = 1e-4


@pytest.fixture
def random():
    return np.random.default_rng(31)


@pytest.fixture
def regression(random):
    matrix = np.column_stack([np.ones(12), random.normal(size=(12, 2))])
    return matrix, matrix @ [1.0, 0.5, -2.0] + random.normal(size=12)


def test_a_draw_is_student_t_around_the_prediction(regression, random):
    # With 12 rows the t distribution of 9 degrees of freedom is told from a normal one.
    matrix, response = regression
    new = np.array([1.0, 1.5, -0.5])
    drawn = []
    for _ in range(DRAWS):
        draw = draw_regression(matrix, response, random)
        drawn.append(new @ draw.coefficients + draw.sigma * random.normal())
    estimate, squares, *_ = np.linalg.lstsq(matrix, response, rcond=None)
    leverage = new @ np.linalg.inv(matrix.T @ matrix) @ new
    scale = np.sqrt(squares[0] / 9 * (1 + leverage))
    expected = stats.t(9, loc=new @ estimate, scale=scale)
    assert stats.kstest(drawn, expected.cdf).pvalue > SMALLEST_P
    narrower = stats.norm(new @ estimate, np.sqrt(squares[0] / 9))
    assert stats.kstest(drawn, narrower.cdf).pvalue < SMALLEST_P


def test_the_variance_is_drawn_as_an_inverse_chi_squared(regression, random):
    matrix, response = regression
    squares = np.linalg.lstsq(matrix, response, rcond=None)[1][0]
    sigmas = np.array([draw_regression(matrix, response, random).sigma for _ in range(DRAWS)])
    assert stats.kstest(squares / sigmas**2, stats.chi2(9).cdf).pvalue > SMALLEST_P


@pytest.mark.parametrize("bound", [-3.0, 0.0, 1.0, 4.0, 8.0, 30.0])
def test_draws_above_a_bound_are_truncated_normal(bound, random):
    mean, sigma = 10.0, 2.5
    lower = mean + bound * sigma
    drawn = draw_above(np.full(DRAWS, mean), sigma, np.full(DRAWS, lower), random)
    expected = stats.truncnorm(bound, np.inf, loc=mean, scale=sigma)
    assert (drawn >= lower).all()
    assert drawn.mean() == pytest.approx(expected.mean(), abs=4 * expected.std() / np.sqrt(DRAWS))
    assert drawn.std() == pytest.approx(expected.std(), rel=0.1)
    if bound <= 8:
        assert stats.kstest(drawn, expected.cdf).pvalue > SMALLEST_P


def test_a_bound_far_out_in_the_tail_stays_finite(random):
    # At 200 SD the tail probability underflows; Mills: the mean excess is about sigma / 200.
    drawn = draw_above(np.zeros(DRAWS), 1.0, np.full(DRAWS, 200.0), random)
    assert np.isfinite(drawn).all()
    assert (drawn - 200.0).mean() == pytest.approx(1 / 200, rel=4 / np.sqrt(DRAWS) + 1e-3)


def test_without_a_bound_the_draw_is_normal(random):
    drawn = draw_above(np.full(DRAWS, 3.0), 2.0, np.full(DRAWS, -np.inf), random)
    assert stats.kstest(drawn, stats.norm(3.0, 2.0).cdf).pvalue > SMALLEST_P


def test_donors_are_the_nearest_by_prediction(random):
    observed = np.array([10.0, 20.0, 30.0, 40.0, 50.0])
    predicted = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    drawn = np.array(
        [draw_donors(observed, predicted, np.array([3.9, 0.2]), 2, random) for _ in range(400)]
    )
    assert set(drawn[:, 0]) == {40.0, 50.0}
    assert set(drawn[:, 1]) == {10.0, 20.0}
    # Each of two donors about every second time (binomial, four standard errors).
    assert abs((drawn[:, 0] == 50.0).mean() - 0.5) < 4 * 0.5 / np.sqrt(400)


def _normal_pair(random, count=400):
    """Two correlated variables (0.8) and the truth of the first above its bound."""
    other = random.normal(size=count)
    values = 0.8 * other + 0.6 * random.normal(size=count)
    return values, other


def _completed(values, lower, other, **settings):
    data = incomplete(values[:, None], lower[:, None], other[:, None], ["peak"], ["other"])
    chosen = {"data_sets": 10, "iterations": 20, "method": "normal", "donors": 5, "seed": 8}
    return data, impute_many(data, **(chosen | settings))


@pytest.mark.parametrize("method", ["normal", "predictive_mean_matching"])
def test_clipped_values_regain_their_distribution(method, random):
    # Clipped at 0.5 SD, a third of the values: mean 0, SD 1 and correlation 0.8 are known.
    values, other = _normal_pair(random, 4000)
    clipped = values > 0.5
    data, sets = _completed(
        np.where(clipped, np.nan, values), np.where(clipped, 0.5, -np.inf), other,
        method=method, data_sets=4, iterations=40,
    )  # fmt: skip
    full = np.array([each.values[:, 0] for each in sets])
    assert (full[:, clipped] >= 0.5).all()
    assert (full[:, ~clipped] == values[~clipped]).all()
    # Standard errors of a mean, an SD and a correlation of 4000 are 0.016, 0.011 and 0.006.
    assert full.mean() == pytest.approx(0.0, abs=0.06)
    assert full.std() == pytest.approx(1.0, abs=0.06)
    assert np.corrcoef(full[0], other)[0, 1] == pytest.approx(0.8, abs=0.03)
    # Taken as recorded, the mean would be the one of a normal distribution cut off at 0.5:
    cut = 0.5 * stats.norm.sf(0.5) - stats.norm.pdf(0.5)
    assert np.minimum(values, 0.5).mean() == pytest.approx(cut, abs=0.05)
    assert cut < -0.15
    assert data.left_out == ()


def test_missing_values_regain_their_distribution(random):
    # Missing where the other variable is large: the observed mean is low, the truth is 0.
    values, other = _normal_pair(random, 4000)
    missing = other + 0.5 * random.normal(size=4000) > 0.3
    _, sets = _completed(np.where(missing, np.nan, values), np.full(4000, -np.inf), other)
    full = np.array([each.values[:, 0] for each in sets])
    assert values[~missing].mean() < -0.3
    assert full.mean() == pytest.approx(0.0, abs=0.06)
    assert full.std() == pytest.approx(1.0, abs=0.06)


def test_matching_gives_only_observed_values(random):
    values, other = _normal_pair(random)
    missing = random.random(400) < 0.3
    _, sets = _completed(
        np.where(missing, np.nan, values), np.full(400, -np.inf), other,
        method="predictive_mean_matching",
    )  # fmt: skip
    for each in sets:
        assert np.isin(each.values[missing, 0], values[~missing]).all()
    assert any((each.values != sets[0].values).any() for each in sets[1:])


def test_the_same_seed_gives_the_same_values_and_another_gives_others(random):
    values, other = _normal_pair(random)
    values[:50] = np.nan
    lower = np.full(400, -np.inf)
    once, twice, else_ = (
        np.array([each.values for each in _completed(values, lower, other, seed=seed)[1]])
        for seed in (8, 8, 9)
    )
    assert (once == twice).all()
    assert (once != else_).any()


def test_chains_that_agree_have_a_scale_reduction_near_one_and_others_do_not(random):
    agree = random.normal(size=(20, 200))
    assert potential_scale_reduction(agree) == pytest.approx(1.0, abs=0.02)
    assert potential_scale_reduction(agree + np.arange(20)[:, None]) > 3
    # By hand: within 0.5, between 2, two iterations: sqrt(1/2 + 2/0.5)
    pair = np.array([[9.0, 9.0, 0.0, 1.0], [9.0, 9.0, 2.0, 3.0]])
    assert potential_scale_reduction(pair) == pytest.approx(np.sqrt(0.5 + 2 / 0.5))
    assert np.isnan(potential_scale_reduction(np.ones((3, 8))))
