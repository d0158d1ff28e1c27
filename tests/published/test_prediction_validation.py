"""Optimism, permutation null, leave-site-out and required sizes against outside values."""

import numpy as np
import pytest

from analysis.prediction.internal_external import leave_site_out
from analysis.prediction.optimism import optimism_bootstrap, permutation_null
from analysis.prediction.required_size import expected_shrinkage, required_size
from analysis.survival.concordance import harrell_concordance
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.errors import SurvivalDataError

SQUARED_ERROR = "squared error"


class CoxStudy:
    """A Cox model with all covariates, and Harrell's C, as builder and measure."""

    def __init__(self, X, stop, event):
        self.X, self.stop, self.event = X, stop, event

    def build(self, predictors, outcomes):
        fit = fit_cox(cox_sample(self.X[predictors], self.stop[outcomes], self.event[outcomes]))
        return lambda rows: self.X[rows] @ fit.coefficients

    def concordance(self, predictions, outcomes):
        return harrell_concordance(predictions, self.stop[outcomes], self.event[outcomes]).estimate


def pure_noise(generator, n=100, events=15, covariates=5):
    event = np.zeros(n, dtype=bool)
    event[generator.choice(n, events, replace=False)] = True
    return CoxStudy(generator.normal(size=(n, covariates)), generator.exponential(size=n), event)


def real_effect(n, seed):
    generator = np.random.default_rng(seed)
    X = generator.normal(size=(n, 2))
    target = generator.exponential(1 / np.exp(X[:, 0]))
    leave = generator.exponential(1.0, size=n)
    return CoxStudy(X, np.minimum(target, leave), target <= leave)


@pytest.mark.slow
def test_optimism_of_pure_noise():
    """STATISTICS.md row P-OPT-NULL: apparent C .656 (sd .053), corrected .552 (sd .073).

    150 simulations there, 60 with 30 resamples here. Limit: 3 Monte-Carlo errors of the
    difference, with the spread found here and there. The whole row, 150 simulations of 200
    resamples, gave .659 (sd .063) and .550 (sd .081).
    """
    generator = np.random.default_rng(20)
    apparent, corrected = [], []
    for seed in range(60):
        study = pure_noise(generator)
        found = optimism_bootstrap(
            100, study.build, {"C": study.concordance}, resamples=30, seed=seed
        )["C"]
        apparent.append(found.apparent)
        corrected.append(found.corrected)
    for values, expected, spread in ((apparent, 0.656, 0.053), (corrected, 0.552, 0.073)):
        error = np.hypot(np.std(values, ddof=1) / np.sqrt(60), spread / np.sqrt(150))
        assert abs(np.mean(values) - expected) < 3 * error
    # The trap of that row: the correction leaves some of the optimism.
    assert np.mean(corrected) > 0.52


def test_optimism_of_a_mean_is_known():
    """Closed form: predicting the mean, squared error; expected optimism -2 variance / n.

    Efron 1983 (covariance penalty). The apparent error is the variance with divisor n; in a
    resample it is smaller by the factor (n - 1) / n, in the group larger by (n + 1) / n.
    """
    outcome = np.random.default_rng(31).normal(size=40)

    def build(predictors, outcomes):
        mean = outcome[outcomes].mean()
        return lambda rows: np.full(rows.shape, mean)

    def squared_error(predictions, outcomes):
        return float(np.mean((outcome[outcomes] - predictions) ** 2))

    found = optimism_bootstrap(40, build, {SQUARED_ERROR: squared_error}, resamples=4000, seed=1)[
        SQUARED_ERROR
    ]
    assert found.apparent == pytest.approx(outcome.var(), rel=1e-12)
    expected = -2 * outcome.var() / 40
    assert abs(found.optimism - expected) < 3 * found.monte_carlo_error
    assert found.corrected == pytest.approx(found.apparent - found.optimism, rel=1e-12)


def test_a_model_that_is_not_fitted_has_no_optimism_and_plain_percentiles():
    """Closed form: expectation 0; the shifted interval is then the percentile bootstrap's."""
    study = real_effect(150, 32)

    def build(predictors, outcomes):
        return lambda rows: study.X[rows, 0]

    options = {"resamples": 300, "seed": 2}
    found = optimism_bootstrap(150, build, {"C": study.concordance}, **options)["C"]
    assert abs(found.optimism) < 3 * found.monte_carlo_error
    generator = np.random.default_rng(2)
    draws = [generator.integers(150, size=150) for _ in range(300)]
    own = [study.concordance(study.X[rows, 0], rows) for rows in draws]
    limits = np.quantile(own, [0.025, 0.975]) - found.optimism
    assert (found.lower, found.upper) == pytest.approx(tuple(limits), rel=1e-12)


def test_the_seed_decides_and_clusters_are_drawn_whole():
    study = real_effect(120, 33)
    knees = np.repeat(np.arange(60), 2)
    drawn = []

    def build(predictors, outcomes):
        drawn.append(predictors)
        return study.build(predictors, outcomes)

    measures = {"C": study.concordance}
    first = optimism_bootstrap(120, build, measures, resamples=20, seed=5, groups=knees)
    again = optimism_bootstrap(120, build, measures, resamples=20, seed=5, groups=knees)
    other = optimism_bootstrap(120, build, measures, resamples=20, seed=6, groups=knees)
    assert first == again
    assert first != other
    for rows in drawn:
        counts = np.bincount(rows, minlength=120)
        assert (counts[::2] == counts[1::2]).all()


def test_permutation_null_holds_its_size_and_finds_an_effect():
    """Definition of a permutation test (Phipson & Smyth 2010): p = (1 + b) / (1 + m)."""
    study = real_effect(100, 34)
    measures = {"C": study.concordance}
    found = permutation_null(100, study.build, measures, permutations=99, seed=3)["C"]
    assert found.p_value == 0.01
    assert 0.5 < found.mean < found.upper < found.apparent
    noise = pure_noise(np.random.default_rng(35))
    null = permutation_null(100, noise.build, {"C": noise.concordance}, permutations=99, seed=3)
    # Row P-OPT-NULL: an apparent C of .656 with a spread of .053 is what noise gives.
    assert abs(null["C"].mean - 0.656) < 3 * 0.053 / np.sqrt(99) + 3 * 0.053 / np.sqrt(150)


def test_many_failed_resamples_are_refused_and_few_are_counted():
    calls = {"count": 0}
    study = real_effect(80, 36)

    def build(predictors, outcomes):
        calls["count"] += 1
        if calls["count"] % 12 == 0:
            raise SurvivalDataError("event: too few")
        return study.build(predictors, outcomes)

    found = optimism_bootstrap(80, build, {"C": study.concordance}, resamples=50, seed=1)["C"]
    assert (found.failed, found.resamples) == (4, 46)
    with pytest.raises(SurvivalDataError, match=r"in 4 of 50 .* first reason was: event: too few"):
        optimism_bootstrap(
            80,
            build,
            {"C": study.concordance},
            resamples=50,
            seed=1,
            largest_failed_share=0.05,
        )


def test_leaving_a_site_out_is_the_fit_to_the_others():
    """By hand: lifelines' concordance at the site of a Cox model of the other sites."""
    from lifelines.utils import concordance_index

    study = real_effect(150, 37)
    sites = np.array(["north", "south", "west"])[np.arange(150) % 3]
    found = leave_site_out(sites, study.build, {"C": study.concordance})
    assert [part.site for part in found] == ["north", "south", "west"]
    for part in found:
        here = sites == part.site
        fit = fit_cox(cox_sample(study.X[~here], study.stop[~here], study.event[~here]))
        score = study.X[here] @ fit.coefficients
        expected = concordance_index(study.stop[here], -score, study.event[here])
        assert part.values["C"] == pytest.approx(expected, rel=1e-12)
        assert (part.rows, part.rows_elsewhere) == (50, 100)
        assert not part.refused


def test_a_site_without_events_is_refused_by_name_and_the_others_stay():
    study = real_effect(90, 38)
    sites = np.arange(90) % 3
    study.event[sites == 1] = False
    found = leave_site_out(sites, study.build, {"C": study.concordance})
    assert "no pair of rows" in found[1].refused["C"]
    assert not found[1].values
    assert set(found[0].values) == set(found[2].values) == {"C"}
    with pytest.raises(SurvivalDataError, match="at least two different labels"):
        leave_site_out(np.zeros(90), study.build, {"C": study.concordance})


def test_required_size_of_our_cohort():
    """STATISTICS.md row N-OURS, pmsampsize 1.1.3 for R 4.2.2: 875 athletes, 140 events, EPP 28."""
    found = required_size(parameters=5, r_squared=0.05, rate=0.08, horizon=2.0, mean_follow_up=2.0)
    assert found.athletes == found.for_shrinkage == 875
    assert found.events == pytest.approx(140, abs=1e-9)
    assert found.events_per_parameter == pytest.approx(28, abs=1e-9)


def test_required_size_of_the_published_example():
    """Riley et al. 2019, recurrent thromboembolism (from memory): 5,143 people, EPP 23.07."""
    found = required_size(
        parameters=30, r_squared=0.051, rate=0.065, horizon=2.0, mean_follow_up=2.07
    )
    assert found.athletes == 5143
    assert round(found.events) == 692
    assert round(found.events_per_parameter, 2) == 23.07


def test_criteria_of_the_required_size_hold_at_the_size_that_they_give():
    """Each criterion put back into its definition (Riley et al. 2019, equations of part II)."""
    found = required_size(parameters=8, r_squared=0.2, rate=0.1, horizon=2.0, mean_follow_up=1.5)
    at_size = expected_shrinkage(athletes=found.for_shrinkage, parameters=8, r_squared=0.2)
    assert 0.9 <= at_size < 0.901
    per_athlete = 0.15
    null = per_athlete * np.log(per_athlete) - per_athlete
    assert found.largest_r_squared == pytest.approx(1 - np.exp(2 * null), rel=1e-12)
    # Apparent minus adjusted Nagelkerke R2: R2 (1 / S - 1) / largest = 0.05.
    excess = 0.2 * (1 / found.shrinkage_factor - 1) / found.largest_r_squared
    assert excess == pytest.approx(0.05, rel=1e-12)
    error = 1.959963984540054 * np.sqrt(0.1 / (found.for_mean_risk * 1.5))
    lower = -np.expm1(-(0.1 - error) * 2)
    assert -np.expm1(-0.2) - lower == pytest.approx(0.05, rel=0.01)
