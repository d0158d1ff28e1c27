"""Quantiles and tails against scipy.stats (digit by digit) and printed tables."""

import numpy as np
import pytest
from scipy import stats

from analysis import quantiles as own

PROBABILITIES = (1e-9, 0.0005, 0.025, 0.05, 0.3, 0.5, 0.8, 0.95, 0.975, 0.9995)
VALUES = (-40.0, -2.5, -0.1, 0.0, 1e-12, 0.4, 1.0, 1.959964, 3.84, 12.0, 80.0, np.inf)
DF = (0.7, 1, 2, 3.5, 10, 29.63, 250, 1e6)


@pytest.mark.parametrize("df", DF)
def test_student(df):
    assert [own.quantile_of_t(p, df) for p in PROBABILITIES] == [
        stats.t.ppf(p, df) for p in PROBABILITIES
    ]
    assert [own.tail_of_t(x, df) for x in VALUES] == [stats.t.sf(x, df) for x in VALUES]


def test_student_without_end_is_normal():
    """By other functions than scipy.stats uses there, so equal but for the last digits."""
    found = [own.quantile_of_t(p, np.inf) for p in PROBABILITIES]
    assert found == pytest.approx(list(stats.t.ppf(PROBABILITIES, np.inf)), rel=1e-13)
    found = [own.tail_of_t(x, np.inf) for x in VALUES]
    assert found == pytest.approx(list(stats.t.sf(VALUES, np.inf)), rel=1e-13)


def test_normal():
    assert [own.quantile_of_normal(p) for p in PROBABILITIES] == list(stats.norm.ppf(PROBABILITIES))
    assert [own.tail_of_normal(x) for x in VALUES] == list(stats.norm.sf(VALUES))


@pytest.mark.parametrize("df", DF)
def test_chi_squared(df):
    assert [own.quantile_of_chi_squared(p, df) for p in PROBABILITIES] == [
        stats.chi2.ppf(p, df) for p in PROBABILITIES
    ]
    assert [own.tail_of_chi_squared(x, df) for x in VALUES] == [
        stats.chi2.sf(x, df) for x in VALUES
    ]


@pytest.mark.parametrize("numerator", [1, 2.5, 9, 40])
@pytest.mark.parametrize("denominator", DF)
def test_f(numerator, denominator):
    given = numerator, denominator
    assert [own.quantile_of_f(p, *given) for p in PROBABILITIES] == [
        stats.f.ppf(p, *given) for p in PROBABILITIES
    ]
    assert [own.tail_of_f(x, *given) for x in VALUES] == [stats.f.sf(x, *given) for x in VALUES]


def test_printed_tables():
    """NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7, as printed there.

    Upper 0.025 of t with 10 degrees of freedom 2.228, upper 0.05 of chi-squared with 3 degrees
    7.815, upper 0.05 of F with 2 and 10 degrees 4.103 (values from memory of these tables).
    """
    assert own.quantile_of_t(0.975, 10) == pytest.approx(2.228, abs=5e-4)
    assert own.quantile_of_chi_squared(0.95, 3) == pytest.approx(7.815, abs=5e-4)
    assert own.quantile_of_f(0.95, 2, 10) == pytest.approx(4.103, abs=5e-4)


@pytest.mark.parametrize("call", [own.tail_of_t, own.quantile_of_t, own.tail_of_chi_squared])
def test_without_degrees_of_freedom_there_is_no_value(call):
    assert np.isnan(call(0.4, np.nan))
