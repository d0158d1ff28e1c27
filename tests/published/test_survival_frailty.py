"""Shared gamma frailty against published analyses and against its likelihood."""

import numpy as np
import pytest
from scipy import optimize, special

from analysis.survival.cox_sample import cox_sample
from analysis.survival.errors import NotIdentifiableError, SurvivalDataError
from analysis.survival.frailty import fit_gamma_frailty, frailty_variance_interval
from tests.published import survival_tables as tables


def fit_rats(ties="efron"):
    table = tables.rats()
    sample = cox_sample(table[["trt"]], table["time"], table["tumor"])
    return fit_gamma_frailty(sample, table["litter"], ties=ties)


def test_litter_matched_rats():
    """R 4.2.2, survival 3.5-3, `frailty(litter)`; Mantel 1977; Therneau & Grambsch 2000.

    R stops its outer search at a relative change of 1e-5 and takes the frailty block of the
    information as diagonal for the error; hence the tolerances. Without litters it agrees to 1e-8.
    """
    fit = fit_rats()
    assert fit.converged
    assert fit.coefficients[0] == pytest.approx(0.914328829561146, rel=1e-5)
    assert fit.standard_errors[0] == pytest.approx(0.323023011713114, rel=1e-4)
    assert fit.theta == pytest.approx(0.499042025689727, rel=5e-6)
    # Printed by R as "I-likelihood = -180.8" (from memory).
    assert round(fit.log_likelihood, 1) == -180.8
    assert fit.log_likelihood_without == pytest.approx(-181.667732741229, rel=1e-12)
    assert fit.frailties.mean() == pytest.approx(1, abs=1e-9)


def test_catheter_infections_have_no_frailty_once_disease_is_known():
    """McGilchrist & Aisbett 1991; R's fit (from memory): -1.48314 for sex, variance 5e-7."""
    table = tables.kidney()
    disease = [(table["disease"] == kind) * 1.0 for kind in ("GN", "AN", "PKD")]
    X = np.column_stack([table["age"], table["sex"], *disease])
    fit = fit_gamma_frailty(cox_sample(X, table["time"], table["status"]), table["id"])
    assert fit.singular
    assert fit.theta == 0
    expected = [0.00318, -1.48314, 0.08796, 0.35079, -1.43111]
    assert fit.coefficients == pytest.approx(expected, abs=6e-6)


def integrated_log_likelihood(beta, log_jumps, theta, X, stop, event, litter):
    """Log-likelihood with the gamma factor integrated out and a baseline that jumps at events."""
    times = np.unique(stop[event])
    hazard = np.where(stop[:, None] >= times, np.exp(log_jumps), 0).sum(axis=1) * np.exp(X @ beta)
    value = log_jumps[np.searchsorted(times, stop[event])].sum() + (X[event] @ beta).sum()
    nu = 1 / theta
    for g in np.unique(litter):
        d, exposure = event[litter == g].sum(), hazard[litter == g].sum()
        value += nu * np.log(nu) - special.gammaln(nu) + special.gammaln(nu + d)
        value -= (nu + d) * np.log(nu + exposure)
    return value


def test_estimates_maximise_the_integrated_likelihood():
    """All derivatives of the definition vanish at the fit, and its value is the one reported."""
    fit = fit_rats("breslow")
    table = tables.rats()
    X = table[["trt"]].to_numpy(dtype=float)
    stop, event = table["time"].to_numpy(), table["tumor"].to_numpy() == 1
    litter = np.unique(table["litter"], return_inverse=True)[1]
    times, deaths = np.unique(stop[event], return_counts=True)
    risk = fit.frailties[litter] * np.exp(X @ fit.coefficients)
    jumps = deaths / (risk * (stop >= times[:, None])).sum(axis=1)
    place = np.concatenate([fit.coefficients, np.log(jumps), [fit.theta]])

    def value(at):
        return integrated_log_likelihood(at[:1], at[1:-1], at[-1], X, stop, event, litter)

    for k in range(place.size):
        step = np.eye(place.size)[k] * 1e-4
        slope = (value(place + step) - value(place - step)) / 2e-4
        assert slope == pytest.approx(0, abs=2e-6)
    constant = event.sum() - (deaths * np.log(deaths)).sum()
    assert value(place) + constant == pytest.approx(fit.log_likelihood, rel=1e-10)


def test_limits_of_the_variance_solve_the_profile_equation():
    """At each limit the likelihood of the definition, maximised over the rest, is 1.92 lower."""
    fit = fit_rats("breslow")
    table = tables.rats()
    X = table[["trt"]].to_numpy(dtype=float)
    stop, event = table["time"].to_numpy(), table["tumor"].to_numpy() == 1
    litter = np.unique(table["litter"], return_inverse=True)[1]
    sample = cox_sample(X, stop, event)
    # At 50 % both limits are inside; the 95 % interval reaches 0, as the test against none says.
    limits = frailty_variance_interval(sample, litter, fit, level=0.5)
    times, deaths = np.unique(stop[event], return_counts=True)
    risk = np.exp(X @ fit.coefficients)
    start = np.concatenate(
        [fit.coefficients, np.log(deaths / (risk * (stop >= times[:, None])).sum(axis=1))]
    )
    constant = event.sum() - (deaths * np.log(deaths)).sum()
    drop = special.chdtri(1, 0.5) / 2
    for theta in limits:
        best = optimize.minimize(
            lambda at, theta=theta: (
                -integrated_log_likelihood(at[:1], at[1:], theta, X, stop, event, litter)
            ),
            start,
            method="BFGS",
        )
        assert fit.log_likelihood - (constant - best.fun) == pytest.approx(drop, abs=2e-6)
    assert limits[0] < fit.theta < limits[1]
    low, high = frailty_variance_interval(sample, litter, fit)
    assert fit.frailty_test.p > 0.025
    assert low == 0
    assert limits[1] < high < np.inf


def test_variance_at_its_boundary_has_an_upper_limit():
    table = tables.kidney()
    disease = [(table["disease"] == kind) * 1.0 for kind in ("GN", "AN", "PKD")]
    X = np.column_stack([table["age"], table["sex"], *disease])
    sample = cox_sample(X, table["time"], table["status"])
    fit = fit_gamma_frailty(sample, table["id"])
    low, high = frailty_variance_interval(sample, table["id"], fit)
    assert fit.singular
    assert low == 0
    assert 0 < high < 2


def test_catheter_infections_without_disease():
    """R's printed fit of age and sex (from memory): variance 0.41, I-likelihood -181.6."""
    table = tables.kidney()
    sample = cox_sample(table[["age", "sex"]], table["time"], table["status"])
    fit = fit_gamma_frailty(sample, table["id"])
    assert round(fit.theta, 2) == 0.41
    assert round(fit.log_likelihood, 1) == -181.6
    low, high = frailty_variance_interval(sample, table["id"], fit)
    assert 0 < low < fit.theta < high


def test_every_person_alone_in_a_group_still_ends():
    """Groups of one carry little about theta; the fit must end, flagged or not."""
    table = tables.complete_lung().head(50)
    sample = cox_sample(table[["age"]], table["time"], table["event"])
    fit = fit_gamma_frailty(sample, np.arange(len(table)))
    assert np.isfinite([fit.theta, fit.log_likelihood, *fit.coefficients]).all()


def test_separated_events_are_refused_with_the_covariate():
    """No frailty can make the ratio finite when all events are in one group."""
    table = tables.rats()
    sample = cox_sample(table[["tumor"]], table["time"], table["tumor"], names=["marked"])
    with pytest.raises(NotIdentifiableError, match="covariates marked separate the events"):
        fit_gamma_frailty(sample, table["litter"])


def test_one_group_is_refused():
    table = tables.rats()
    sample = cox_sample(table[["trt"]], table["time"], table["tumor"])
    with pytest.raises(SurvivalDataError, match="at least two groups"):
        fit_gamma_frailty(sample, np.zeros(len(table)))
