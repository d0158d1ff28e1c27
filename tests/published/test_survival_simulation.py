"""Simulated cohorts: are the intervals and tests of the Cox models as good as they say?

Data with a known hazard ratio, about 20, 50 and 100 events. The bands are the nominal 95 % and 5 %
widened by three Monte-Carlo errors, as no published value exists for these designs.
"""

import numpy as np
import pytest

from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.firth import fit_firth

TRUE = np.array([0.5, 0.0, -0.3])
RUNS = 600
# Three Monte-Carlo standard errors of a share of 5 % in 600 runs.
MONTE_CARLO = 3 * np.sqrt(0.05 * 0.95 / RUNS)


def simulate(generator, events):
    """Athletes with exponential times; follow-up is such that about 15 % have the event."""
    n = round(events / 0.15)
    X = np.column_stack(
        [generator.normal(size=n), generator.normal(size=n), generator.integers(0, 2, size=n)]
    )
    time = generator.exponential(size=n) * np.exp(-X @ TRUE)
    end = generator.uniform(0.02, 0.32, size=n)
    return cox_sample(X, np.minimum(time, end), time <= end)


@pytest.mark.slow
@pytest.mark.parametrize("events", [20, 50, 100])
def test_coverage_bias_and_level_of_the_cox_fit(events):
    generator = np.random.default_rng(events)
    estimates, errors, rejected = [], [], 0
    for _ in range(RUNS):
        fit = fit_cox(simulate(generator, events))
        assert fit.converged
        estimates.append(fit.coefficients)
        errors.append(fit.standard_errors)
        rejected += abs(fit.coefficients[1] / fit.standard_errors[1]) > 1.959963984540054
    estimates, errors = np.array(estimates), np.array(errors)
    covered = np.abs(estimates - TRUE) <= 1.959963984540054 * errors
    assert covered.mean(axis=0) == pytest.approx([0.95] * 3, abs=MONTE_CARLO)
    assert rejected / RUNS == pytest.approx(0.05, abs=MONTE_CARLO)
    # Bias of maximum likelihood away from zero falls with the number of events.
    assert 0 <= estimates[:, 0].mean() - TRUE[0] < 2.0 / events


@pytest.mark.slow
def test_coverage_and_bias_of_the_firth_fit_at_twenty_events():
    generator = np.random.default_rng(2001)
    covered, estimates, plain = [], [], []
    for _ in range(120):
        sample = simulate(generator, 20)
        fit = fit_firth(sample)
        assert fit.converged
        covered.append((fit.lower <= TRUE) & (fit.upper >= TRUE))
        estimates.append(fit.coefficients)
        plain.append(fit_cox(sample).coefficients)
    assert np.mean(covered, axis=0) == pytest.approx(
        [0.95] * 3, abs=MONTE_CARLO * np.sqrt(RUNS / 120)
    )
    # The penalty takes away first-order bias: nearer to the truth than maximum likelihood.
    bias = np.mean(estimates, axis=0)[0] - TRUE[0]
    assert abs(bias) < abs(np.mean(plain, axis=0)[0] - TRUE[0])
