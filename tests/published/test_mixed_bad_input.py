"""Data that cannot answer a mixed model: refused with a reason, or a flagged finite result."""

import numpy as np
import pytest
from scipy.optimize import minimize

from analysis.mixed import ModelRefusedError, fit_mixed, random_intercept
from analysis.mixed.design import RandomTerm, random_slopes
from analysis.mixed.deviance import ProfiledDeviance


def _data(groups: int = 6, trials: int = 5):
    random = np.random.default_rng(1)
    athlete = np.repeat(np.arange(groups), trials)
    x = random.normal(size=athlete.size)
    outcome = x + random.normal(size=groups)[athlete] + random.normal(size=athlete.size)
    return outcome, np.column_stack([np.ones(x.size), x]), athlete


def test_one_athlete() -> None:
    outcome, fixed, athlete = _data(groups=1, trials=12)
    with pytest.raises(ModelRefusedError, match="has 1 group"):
        fit_mixed(outcome, fixed, [random_intercept("athlete", athlete)])


def test_one_trial_per_athlete() -> None:
    outcome, fixed, _ = _data()
    with pytest.raises(ModelRefusedError, match="cannot be told from the residual"):
        fit_mixed(outcome, fixed, [random_intercept("athlete", np.arange(outcome.size))])


def test_constant_covariate() -> None:
    outcome, fixed, athlete = _data()
    fixed = np.column_stack([fixed, np.full(outcome.size, 3.0)])
    with pytest.raises(ModelRefusedError, match=r"'c' is a combination of \['a'\]"):
        fit_mixed(
            outcome, fixed, [random_intercept("athlete", athlete)], fixed_names=["a", "b", "c"]
        )


def test_perfect_collinearity() -> None:
    outcome, fixed, athlete = _data()
    fixed = np.column_stack([fixed, 2.0 - 3.0 * fixed[:, 1]])
    with pytest.raises(ModelRefusedError, match="combination of"):
        fit_mixed(outcome, fixed, [random_intercept("athlete", athlete)])


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_missing_and_infinite_values(bad: float) -> None:
    outcome, fixed, athlete = _data()
    terms = [random_intercept("athlete", athlete)]
    spoiled = outcome.copy()
    spoiled[4] = bad
    with pytest.raises(ModelRefusedError, match="1 missing or infinite values, the first in row 4"):
        fit_mixed(spoiled, fixed, terms)
    spoiled = fixed.copy()
    spoiled[7, 1] = bad
    with pytest.raises(ModelRefusedError, match=r"fixed column 'x1' has 1 .* row 7"):
        fit_mixed(outcome, spoiled, terms)


def test_missing_labels() -> None:
    outcome, fixed, athlete = _data()
    labels = athlete.astype(object)
    labels[2] = None
    with pytest.raises(ModelRefusedError, match="missing group labels"):
        fit_mixed(outcome, fixed, [random_intercept("athlete", labels)])


def test_all_outcomes_equal() -> None:
    _, fixed, athlete = _data()
    with pytest.raises(ModelRefusedError, match="does not vary"):
        fit_mixed(np.full(athlete.size, 2.5), fixed, [random_intercept("athlete", athlete)])


def test_constant_random_slope() -> None:
    outcome, fixed, athlete = _data()
    with pytest.raises(ModelRefusedError, match="random term 'athlete'"):
        fit_mixed(
            outcome, fixed, [random_slopes("athlete", athlete, np.ones(outcome.size), ["limb"])]
        )


def test_more_random_effects_than_rows() -> None:
    outcome, fixed, athlete = _data(trials=2)
    with pytest.raises(ModelRefusedError, match="with 2 effects each"):
        fit_mixed(outcome, fixed, [random_slopes("athlete", athlete, fixed[:, 1], ["x"])])


def test_lengths_that_do_not_match() -> None:
    outcome, fixed, athlete = _data()
    with pytest.raises(ModelRefusedError, match="with the same n"):
        fit_mixed(outcome[1:], fixed, [random_intercept("athlete", athlete)])
    term = RandomTerm("athlete", athlete[1:], np.ones((athlete.size, 1)), ("(Intercept)",))
    with pytest.raises(ModelRefusedError, match="random term 'athlete'"):
        fit_mixed(outcome, fixed, [term])


def test_two_athletes_give_a_finite_flagged_result() -> None:
    outcome, fixed, athlete = _data(groups=2, trials=4)
    fit = fit_mixed(outcome, fixed, [random_intercept("athlete", athlete)])
    assert np.all(np.isfinite(fit.standard_errors))
    assert isinstance(fit.singular, bool)
    assert fit.converged


def test_scale_of_the_outcome_does_not_matter() -> None:
    outcome, fixed, athlete = _data()
    terms = [random_intercept("athlete", athlete)]
    plain = fit_mixed(outcome, fixed, terms)
    huge = fit_mixed(1e9 * outcome + 1e12, fixed, terms)
    np.testing.assert_allclose(huge.standard_errors, 1e9 * plain.standard_errors, rtol=1e-5)


def test_likelihood_without_a_maximum_is_flagged_and_finite() -> None:
    # Every athlete repeats one value exactly: the residual variance is driven towards zero.
    athlete = np.repeat(np.arange(6), 3)
    outcome = np.random.default_rng(1).normal(size=6)[athlete]
    fit = fit_mixed(outcome, np.ones(18), [random_intercept("athlete", athlete)])
    assert not fit.converged
    assert np.all(np.isfinite(fit.standard_errors))
    assert np.isfinite(fit.log_likelihood)


@pytest.mark.parametrize("seed", range(6))
def test_small_samples_reach_the_lowest_of_many_searches(seed: int) -> None:
    # Small samples have several local maxima; a search from 30 random points by another algorithm
    # (Nelder-Mead of scipy) finds none that is higher.
    random = np.random.default_rng(seed)
    athlete = np.repeat(np.arange(7), 4)
    x = random.normal(size=28)
    outcome = x + random.normal(size=7)[athlete] * x + random.normal(size=28)
    fixed = np.column_stack([np.ones(28), x])
    terms = [
        random_slopes("athlete", athlete, x, ["x"]),
        random_intercept("device", random.integers(0, 4, 28)),
    ]
    fit = fit_mixed(outcome, fixed, terms, method="ML")
    assert fit.converged
    for _ in range(30):
        start = random.normal(size=fit.parameters.size) * random.choice([0.3, 1.0, 3.0])
        found = minimize(
            ProfiledDeviance(fit.problem, "ML").value,
            start,
            method="Nelder-Mead",
        )
        assert fit.deviance <= found.fun + 2e-6
