"""Firth's interval and test agree with each other even where hardly an event is left.

Both rest on one profile (Heinze & Schemper 2001), so an interval at 95 % holds zero exactly when
the test's p exceeds 5 %; where the profile could not be followed there is no limit.
"""

import numpy as np
import pytest

from analysis.survival.cox_sample import cox_sample
from analysis.survival.firth import fit_firth


@pytest.mark.parametrize("events", [1, 2, 3])
@pytest.mark.parametrize("seed", range(6))
def test_interval_and_test_agree(events, seed):
    rng = np.random.default_rng(seed)
    covariates = rng.normal(size=(23, 4))
    stop = rng.permutation(np.arange(1.0, 24.0))
    event = np.zeros(23, dtype=bool)
    event[rng.choice(20, events, replace=False)] = True
    event[np.argmin(stop)] = True  # somebody else must be at risk at one event at least
    fit = fit_firth(cox_sample(covariates, stop, event))
    known = 0
    for lower, upper, test in zip(fit.lower, fit.upper, fit.tests, strict=True):
        if np.isnan([lower, upper, test.p]).any():
            continue
        known += 1
        assert lower < upper
        assert (lower < 0 < upper) == (test.p > 0.05)
    assert known >= 1
