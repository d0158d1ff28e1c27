"""Gaps that cannot be filled: a refusal that names the variable and why."""

import numpy as np
import pytest

from analysis.imputation.chained import impute, incomplete
from analysis.imputation.draws import draw_donors
from analysis.imputation.errors import ImputationError
from analysis.imputation.pooling import pool

N = 40


@pytest.fixture
def random():
    return np.random.default_rng(44)


@pytest.fixture
def values(random):
    values = random.normal(size=(N, 2))
    values[:5, 0] = np.nan
    values[3:9, 1] = np.nan
    return values


def _data(values, complete=None, lower=None):
    values = np.asarray(values)
    complete = np.arange(float(N))[:, None] ** 0.5 if complete is None else complete
    lower = np.full(values.shape, -np.inf) if lower is None else lower
    names = [f"column {place}" for place in range(complete.shape[1])]
    return incomplete(values, lower, complete, ["peak", "excursion"], names)


def _impute(data, random, method="normal", donors=5):
    return impute(data, iterations=3, method=method, donors=donors, random=random)


def test_a_variable_without_any_value(values):
    values[:, 1] = np.nan
    with pytest.raises(ImputationError, match="excursion: no athlete has a value"):
        _data(values)


def test_a_constant_variable(values):
    values[9:, 0] = 3.0
    values[5:9, 0] = 3.0
    with pytest.raises(ImputationError, match="peak: every athlete with a value has the same one"):
        _data(values)


def test_an_infinite_value(values):
    values[20, 1] = np.inf
    with pytest.raises(ImputationError, match="excursion: an athlete has an infinite value"):
        _data(values)


def test_a_gap_in_a_column_that_must_be_complete(values):
    complete = np.ones((N, 1))
    complete[7] = np.nan
    with pytest.raises(ImputationError, match="column 0: a column that must be complete has a gap"):
        _data(values, complete)


def test_a_value_beside_a_bound(values):
    lower = np.full(values.shape, -np.inf)
    lower[30, 0] = 1.0
    with pytest.raises(ImputationError, match="a value as well as a bound"):
        _data(values, lower=lower)


def test_too_few_athletes_for_the_columns(values, random):
    values[6:, 0] = np.nan
    values[5, 0] = 1.0
    values[0, 0] = 2.0
    with pytest.raises(ImputationError, match=r"peak: 2 athletes have a value.*at least 6"):
        _impute(_data(values), random)


def test_no_athlete_with_all_variables_is_filled_in_all_the_same(values, random):
    # No complete row: the two are never seen together, yet each is seen beside the covariate.
    values[:20, 0] = np.nan
    values[20:, 1] = np.nan
    values[:20, 1] = random.normal(size=20)
    done = _impute(_data(values), random)
    assert np.isfinite(done.values).all()


def test_a_site_without_any_value(values, random):
    site = (np.arange(N) < 5).astype(float)[:, None]
    with pytest.raises(ImputationError, match="peak: among the athletes with a value, one column"):
        _impute(_data(values, site), random)


def test_constant_and_collinear_columns_are_left_out_and_named(values, random):
    first = random.normal(size=N)
    columns = np.column_stack([first, np.ones(N), 2 * first + 1, random.normal(size=N)])
    data = _data(values, columns)
    assert data.left_out == ("column 1", "column 2")
    assert np.isfinite(_impute(data, random).values).all()


def test_a_variable_that_is_a_copy_of_a_column(values, random):
    copy = np.where(np.isnan(values[:, 0]), 0.0, values[:, 0])[:, None]
    with pytest.raises(ImputationError, match="peak: its imputation model fits the values exactly"):
        _impute(_data(values, copy), random)


def test_more_donors_than_athletes(random):
    with pytest.raises(ImputationError, match="2 athletes have a value, but 5 donors"):
        draw_donors(np.zeros(2), np.zeros(2), np.zeros(1), 5, random)


def test_shapes_that_do_not_fit(values):
    with pytest.raises(ImputationError, match="do not fit together"):
        incomplete(values, np.full((N, 1), -np.inf), np.ones((N, 1)), ["a", "b"], ["c"])


def test_one_data_set_cannot_be_pooled():
    with pytest.raises(ValueError, match="at least two"):
        pool([1.0], [1.0])
