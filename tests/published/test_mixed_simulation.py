"""Level and coverage of the mixed model in simulated studies with few athletes."""

import numpy as np
import pytest
from scipy.stats import norm

from analysis.mixed import (
    fit_mixed,
    kenward_roger_t,
    nested_labels,
    random_intercept,
    satterthwaite_t,
)
from analysis.mixed.bootstrap import refit_near
from analysis.mixed.deviance import with_response

SIMULATIONS = 600
# Three binomial standard errors of 5 % in 600 simulations.
MARGIN = 3 * np.sqrt(0.05 * 0.95 / SIMULATIONS)


@pytest.mark.slow
def test_level_and_coverage_with_twelve_athletes() -> None:
    # Trials in visits in athletes, unequal numbers; an athlete-level covariate without effect and
    # a trial-level one with effect 0.5. Normal quantiles, which ignore the degrees of freedom,
    # reject the true null too often: that is what the t reference is for.
    generator = np.random.default_rng(2024)
    visit_sizes = generator.integers(2, 6, size=24)
    visit = np.repeat(np.arange(24), visit_sizes)
    athlete = visit // 2
    terms = [
        random_intercept("athlete", athlete),
        random_intercept("visit", nested_labels(athlete, visit)),
    ]
    group = (np.arange(12) % 3 == 0).astype(float)[athlete]
    limb = generator.integers(0, 2, visit.size).astype(float)
    fixed = np.column_stack([np.ones(visit.size), group, limb])
    reference = None
    satterthwaite, kenward_roger, normal, covered, slopes = [], [], [], [], []
    for _ in range(SIMULATIONS):
        outcome = 2.0 + 0.5 * limb + generator.normal(size=12)[athlete]
        outcome = outcome + 0.5 * generator.normal(size=24)[visit]
        outcome = outcome + generator.normal(size=visit.size)
        # From the first study's estimate, one start; `test_mixed_bad_input` tries the many.
        reference = reference or fit_mixed(outcome, fixed, terms)
        fit = refit_near(with_response(reference.problem, outcome), reference)
        assert fit.converged
        first, second = satterthwaite_t(fit)[1:]
        satterthwaite.append(first.p_value < 0.05)
        kenward_roger.append(kenward_roger_t(fit)[1].p_value < 0.05)
        normal.append(2 * norm.sf(abs(first.statistic)) < 0.05)
        covered.append(second.low <= 0.5 <= second.high)
        slopes.append(second.estimate)
    assert np.mean(satterthwaite) == pytest.approx(0.05, abs=MARGIN)
    assert np.mean(kenward_roger) == pytest.approx(0.05, abs=MARGIN)
    assert np.mean(covered) == pytest.approx(0.95, abs=MARGIN)
    assert np.mean(normal) > 0.05 + MARGIN
    assert np.mean(slopes) == pytest.approx(0.5, abs=3 * np.std(slopes) / np.sqrt(SIMULATIONS))
