"""Chi-squared statistics pooled over completed data sets (Li, Meng, Raghunathan & Rubin 1991).

Held against what they stand for: the pooled t test of Rubin's rules where there is one degree of
freedom, the test itself where the data sets agree, and its own level under the null hypothesis.
"""

import numpy as np
import pytest
from scipy.stats import chi2

from analysis.imputation.pooling import pool, pool_chi_squared


def test_data_sets_that_agree_give_the_chi_squared_test():
    found = pool_chi_squared([5.2] * 20, 3)
    assert found.statistic == pytest.approx(5.2 / 3)
    assert found.p == pytest.approx(chi2.sf(5.2, 3), rel=1e-12)


def test_one_degree_of_freedom_is_rubins_t_test():
    # Coefficients with standard error 1, far enough from zero that no sign is lost in the square.
    coefficients = 2.5 + 0.3 * np.random.default_rng(4).standard_normal(40)
    rubin = pool(coefficients, np.ones(40))
    found = pool_chi_squared(coefficients**2, 1)
    t = rubin.estimate / rubin.standard_error
    # Equal up to (m + 1) / (m - 1) against (m - 1) / m of the variance between: 0.1 % here.
    assert found.statistic == pytest.approx(t**2, rel=5e-3)
    assert found.denominator_df == pytest.approx(rubin.df, rel=0.15)


def test_the_level_is_kept_when_a_tenth_of_the_information_is_missing():
    random = np.random.default_rng(8)
    simulations, sets, df = 4000, 20, 2
    # Given the data, completed statistics scatter by the missing share of the information.
    whole = np.sqrt(1.1) * random.standard_normal((simulations, 1, df))
    completed = whole + np.sqrt(0.1) * random.standard_normal((simulations, sets, df))
    statistics = (completed**2).sum(axis=2)
    p = np.array([pool_chi_squared(row, df).p for row in statistics])
    # Monte-Carlo error of 0.05 over 4000: 0.0034; the test is known to be approximate.
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.015)


def test_chance_may_not_make_a_statistic_negative():
    found = pool_chi_squared([0.0, 0.1, 9.0], 4)
    assert found.statistic == 0.0
    assert found.p == 1.0


@pytest.mark.parametrize("bad", [[1.0], [1.0, -0.1], [1.0, np.nan]])
def test_what_is_no_statistic_is_refused(bad):
    with pytest.raises(ValueError, match="at least two finite statistics"):
        pool_chi_squared(bad, 1)
