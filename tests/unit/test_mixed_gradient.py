"""The gradient of the deviance, gone backwards, against complex steps through another reduction."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.mixed import fit_mixed, random_intercept, random_slopes
from analysis.mixed.derivatives import ComplexStep
from analysis.mixed.design import checked_design
from analysis.mixed.deviance import ProfiledDeviance, full_deviance, problem_of, reduced_at

ROWS = 240


def columns():
    rng = np.random.default_rng(8)
    athlete = rng.integers(0, 24, ROWS)
    visit = 3 * athlete + rng.integers(0, 3, ROWS)
    item, limb = rng.integers(0, 6, ROWS), rng.integers(0, 2, ROWS)
    fixed = np.column_stack([np.ones(ROWS), limb, rng.normal(size=ROWS)])
    outcome = rng.normal(size=ROWS) + rng.normal(size=24)[athlete] + rng.normal(size=6)[item]
    return outcome, fixed, athlete, visit, item, limb


def terms(kind):
    _, _, athlete, visit, item, limb = columns()
    half = limb - 0.5
    return {
        "one intercept": [random_intercept("athlete", athlete)],
        "nested": [
            random_slopes("athlete", athlete, half, ["limb"]),
            random_intercept("visit", visit),
        ],
        "nested slopes": [
            random_intercept("athlete", athlete),
            random_slopes("visit", visit, half, ["limb"], "diagonal"),
        ],
        "crossed": [
            random_slopes("athlete", athlete, half, ["limb"]),
            random_intercept("visit", visit),
            random_slopes("item", item, half, ["limb"]),
        ],
    }[kind]


def profiled_deviance(problem, at, method):
    """Return the deviance at the residual deviation that makes it least; analytic in `at`."""
    free = problem.rows - (problem.fixed if method == "REML" else 0)
    sigma = np.sqrt(reduced_at(problem, at).squares / free)
    return full_deviance(problem, at, sigma, method)


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("by_limb", [False, True])
@pytest.mark.parametrize("kind", ["one intercept", "nested", "nested slopes", "crossed"])
def test_gradient_is_that_of_complex_steps(kind, by_limb, method):
    # Squire & Trapp 1998, SIAM Rev 40:110: a complex step has no error of differences.
    outcome, fixed, *_, limb = columns()
    strata = limb.astype(str) if by_limb else None
    problem = problem_of(checked_design(outcome, fixed, terms(kind), None, strata))
    deviance = ProfiledDeviance(problem, method)
    stepped = ComplexStep(lambda at: profiled_deviance(problem, at, method))
    for at in np.random.default_rng(1).normal(size=(3, problem.layout.size)):
        value, gradient = deviance.value_and_gradient(at)
        expected, slopes = stepped.value_and_gradient(at)
        assert value == pytest.approx(expected, rel=1e-13)
        assert deviance.value(at) == value
        np.testing.assert_allclose(gradient, slopes, rtol=1e-10, atol=1e-10)


def test_beyond_the_bounds_there_is_no_deviance():
    outcome, fixed, *_ = columns()
    problem = problem_of(checked_design(outcome, fixed, terms("one intercept"), None, None))
    deviance = ProfiledDeviance(problem, "REML")
    at = np.array([1e6])
    assert deviance.value(at) == np.inf
    assert deviance.value_and_gradient(at)[0] == np.inf


def test_gradient_is_flat_at_the_estimate():
    outcome, fixed, *_ = columns()
    fit = fit_mixed(outcome, fixed, terms("nested"))
    slope = ProfiledDeviance(fit.problem, "REML").value_and_gradient(fit.parameters)[1]
    assert fit.converged
    assert np.max(np.abs(slope)) < 1e-6
