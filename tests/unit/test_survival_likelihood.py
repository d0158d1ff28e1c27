"""The partial likelihood against its definition, on small data sets that are hard on it.

Heavy ties, late entry, strata and weights at once; one tied death is taken after the other.
"""

import numpy as np
import pytest
from scipy import optimize

from analysis.survival.cox import fit_cox
from analysis.survival.cox_likelihood import partial_likelihood
from analysis.survival.cox_residuals import dfbeta_residuals
from analysis.survival.cox_sample import cox_sample
from analysis.survival.errors import NotIdentifiableError


def small_cohort(seed, n=14, p=2):
    generator = np.random.default_rng(seed)
    stop = generator.integers(2, 7, size=n).astype(float)
    event = generator.uniform(size=n) < 0.6
    event[0] = True
    return {
        "covariates": generator.normal(size=(n, p)) * 2,
        "stop": stop,
        "event": event,
        "start": stop - generator.integers(1, 7, size=n),
        "strata": generator.integers(0, 2, size=n),
        "weights": generator.uniform(0.5, 2, size=n),
    }


def direct_log_likelihood(beta, ties, covariates, stop, event, start, strata, weights):
    """Efron 1977 with case weights as in Therneau & Grambsch 2000, section 3.3."""
    risk, value = weights * np.exp(covariates @ beta), 0.0
    for stratum in np.unique(strata):
        for moment in np.unique(stop[event & (strata == stratum)]):
            at_risk = (start < moment) & (moment <= stop) & (strata == stratum)
            died = event & (stop == moment) & (strata == stratum)
            value += weights[died] @ (covariates[died] @ beta)
            for step in range(died.sum()):
                share = step / died.sum() if ties == "efron" else 0.0
                total = risk[at_risk].sum() - share * risk[died].sum()
                value -= weights[died].mean() * np.log(total)
    return value


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("seed", range(12))
def test_value_score_and_information(seed, ties):
    data = small_cohort(seed)
    sample = cox_sample(**data)
    beta = np.random.default_rng(seed + 100).normal(size=2)

    def value(at):
        return direct_log_likelihood(at / sample.scale, ties, **data)

    at = partial_likelihood(sample, beta, ties)
    assert at.log_likelihood == pytest.approx(value(beta), rel=1e-11, abs=1e-11)
    h = 1e-4
    steps = np.eye(2) * h
    score = [(value(beta + s) - value(beta - s)) / (2 * h) for s in steps]
    assert at.score == pytest.approx(np.array(score), rel=1e-6, abs=1e-6)
    for k, s in enumerate(steps):
        up = partial_likelihood(sample, beta + s, ties).score
        down = partial_likelihood(sample, beta - s, ties).score
        assert at.information[k] == pytest.approx((down - up) / (2 * h), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_dfbeta_is_the_derivative_by_the_case_weight(seed):
    """The influence of a row by its definition: refit with a slightly heavier and lighter row."""
    data = small_cohort(seed, n=40)
    sample = cox_sample(**data)
    fit = fit_cox(sample, ties="breslow")
    influence = dfbeta_residuals(sample, fit)
    h = 1e-4
    for row in range(40):
        refits = []
        for factor in (1 + h, 1 - h):
            weights = data["weights"].copy()
            weights[row] *= factor
            refits.append(fit_cox(cox_sample(**data | {"weights": weights}), ties="breslow"))
        slope = (refits[0].coefficients - refits[1].coefficients) / (2 * h)
        assert influence[row] == pytest.approx(slope, rel=1e-5, abs=1e-7)


def has_no_maximum(X, start, stop, event):
    """Separation by linear programming: a direction in which no event ever loses."""
    losses = [
        X[other] - X[died]
        for died in np.flatnonzero(event)
        for other in np.flatnonzero((start < stop[died]) & (stop >= stop[died]))
        if other != died
    ]
    if not losses:
        return False
    losses = np.array(losses)
    box = [(-1, 1)] * X.shape[1]
    best = optimize.linprog(losses.sum(axis=0), losses, np.zeros(len(losses)), bounds=box)
    return best.fun < -1e-6


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("late", [False, True])
def test_monotone_is_flagged_exactly_when_there_is_no_maximum(ties, late):
    """Every small data set either converges or is flagged, as the linear programme says."""
    generator = np.random.default_rng(2005)
    flagged = 0
    for k in range(100):
        n, p = generator.integers(6, 16), generator.integers(1, 6)
        X = generator.normal(size=(n, p)) * 10.0 ** generator.integers(-3, 4, size=p)
        if k % 2:
            X = (X > 0.3).astype(float)
        stop = generator.integers(1, 9, size=n).astype(float)
        start = stop - generator.integers(1, 9, size=n) if late else np.full(n, -1.0)
        event = generator.uniform(size=n) < 0.5
        if not event.any():
            continue
        try:
            sample = cox_sample(X, stop, event, start=start)
            fit = fit_cox(sample, ties=ties)
        except NotIdentifiableError:
            continue
        assert fit.monotone == has_no_maximum(X / sample.scale, start, stop, event)
        assert fit.converged != fit.monotone
        assert np.isfinite(fit.coefficients).all()
        assert np.isfinite(fit.covariance).all()
        flagged += fit.monotone
    assert flagged > 10


def test_one_outlier_that_dies_first_is_not_mistaken_for_a_maximum():
    """Newton's first step lands so far out that the slope is already zero to rounding."""
    generator = np.random.default_rng(11)
    rare = np.zeros(60)
    rare[0] = 1
    stop = np.concatenate([[0.5], generator.uniform(1, 9, size=59)])
    fit = fit_cox(
        cox_sample(np.column_stack([rare, stop % 1]), stop, np.ones(60), names=["rare", "other"])
    )
    assert fit.monotone
    assert fit.diverging == ("rare",)


def test_sparse_late_entry_rows_that_separate_are_found_by_the_linear_programme():
    from analysis.survival.monotone import separated_terms

    X = np.array([[3.0, 0.1], [1.0, 0.7], [2.0, -0.3], [0.5, 0.2]])
    stop, start = np.array([2.0, 3.0, 4.0, 5.0]), np.array([0.0, 2.0, 1.0, 0.0])
    event = np.array([1, 0, 1, 0])
    assert separated_terms(cox_sample(X, stop, event, start=start)) == ("x1", "x2")
    assert separated_terms(cox_sample(X[:, 1], stop, event, start=start)) == ()
