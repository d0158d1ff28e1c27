"""Profile and bootstrap intervals and likelihood-ratio tests."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import chi2, f

from analysis.mixed import ModelRefusedError, fit_mixed, random_intercept, refit
from analysis.mixed.bootstrap import parametric_bootstrap
from analysis.mixed.likelihood_ratio import likelihood_ratio_test
from analysis.mixed.profile import ProfileInterval, profile_fixed_effects, profile_variance
from tests.published.mixed_data import FITS, one_way, orthodont, reference, sleepstudy, table

PROFILED = (
    "dyestuff_ml",
    "dyestuff_reml",
    "oats",
    "orth_rs_c",
    "rail",
    "sleep_reml",
    "sleep_ri_reml",
)


def _label(interval: ProfileInterval) -> str:
    """Name an interval as the reference table does, without the name of the factor."""
    if interval.term == "residual":
        return "sigma"
    return interval.quantity.replace("sd ", "sd_").replace("cor ", "cor_")


def _published_label(row: dict) -> str:
    term = row["term"].split("|")[0].replace("I(age - 11)", "age")
    return term.replace(".", " ") if term.startswith("cor_") else term


@pytest.mark.parametrize("name", PROFILED)
def test_profiles_equal_the_reference_table(name: str) -> None:
    # statistics.json: confint(profile) of lme4 1.1-31, which interpolates a spline in the profile;
    # hence 2e-4 of the interval. Its lower limit for Block of Oats is 0.7 % off: see below.
    fit = FITS[name]()
    ours = {(_label(i), i.term): i for i in profile_variance(fit) + profile_fixed_effects(fit)}
    rows = reference("05_lmm", name)["fit"]["prof"]
    assert len(rows) == len(ours)
    for row in rows:
        label = _published_label(row)
        factor = row["term"].split("|")[1] if "|" in row["term"] else None
        candidates = [
            i for (a, term), i in ours.items() if a == label and (factor is None or term == factor)
        ]
        assert len(candidates) == 1, row
        found, width = candidates[0], row["hi"] - row["lo"]
        loose = 1e-3 if (name, factor) == ("oats", "Block") else 4e-4
        assert found.low == pytest.approx(row["lo"], abs=loose * width)
        assert found.high == pytest.approx(row["hi"], abs=loose * width)


# Printed in Bates et al. 2015, J Stat Softw 67(1), section 5.1 (output of confint).
def test_profiles_of_sleepstudy_as_printed() -> None:
    fit = sleepstudy()
    found = [(i.low, i.high) for i in profile_variance(fit) + profile_fixed_effects(fit)]
    printed = [
        (14.3815, 37.716),
        (3.801, 8.753),
        (-0.482, 0.685),
        (22.8983, 28.858),
        (237.681, 265.130),
        (7.359, 13.576),
    ]
    np.testing.assert_allclose(found, printed, atol=6e-4)


def test_one_way_sigma_profile_solves_the_likelihood_equation() -> None:
    # Balanced one-way: -2 logL = N log s2 ... is explicit, so the limits can be found by brute
    # force from the sums of squares alone (Searle, Casella & McCulloch 1992, section 3.7).
    data = table("nlme", "Rail")
    groups, repeats = 6, 3
    within = float(((data.travel - data.groupby("Rail").travel.transform("mean")) ** 2).sum())
    means = data.groupby("Rail").travel.mean()
    between = float(repeats * ((means - means.mean()) ** 2).sum())

    def deviance(residual: float, group: float) -> float:
        total = residual + repeats * group
        return (
            groups * (repeats - 1) * np.log(residual)
            + groups * np.log(total)
            + within / residual
            + between / total
        )

    best = min(
        minimize(
            lambda x: deviance(x[0] ** 2, x[1] ** 2),
            [4.0, 20.0],
            method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-12},
        ).fun
        for _ in range(1)
    )
    fit = FITS["rail"]()
    group = next(i for i in profile_variance(fit) if i.term == "Rail")
    for limit in (group.low, group.high):
        lowest = minimize(
            lambda x, limit=limit: deviance(x[0] ** 2, limit**2),
            [4.0],
            method="Nelder-Mead",
            options={"xatol": 1e-10, "fatol": 1e-12},
        ).fun
        assert lowest - best == pytest.approx(chi2.ppf(0.95, 1), rel=1e-5)


def test_lower_limit_of_oats_blocks_solves_the_likelihood_equation() -> None:
    # Independent dense evaluation: at the limit the ML deviance, minimised over the other two
    # standard deviations with V as a full 72 x 72 matrix, lies 3.8415 above its minimum.
    fit = FITS["oats"]()
    design = fit.problem.design
    parts = [(labels[:, None] == labels[None, :]).astype(float) for labels in design.codes]

    def deviance(block: float, plot: float, sigma: float) -> float:
        V = block**2 * parts[0] + plot**2 * parts[1] + sigma**2 * np.eye(72)
        inverse = np.linalg.inv(V)
        X, y = design.fixed, design.response
        beta = np.linalg.solve(X.T @ inverse @ X, X.T @ inverse @ y)
        left = y - X @ beta
        return float(np.linalg.slogdet(V)[1] + 72 * np.log(2 * np.pi) + left @ inverse @ left)

    limit = next(i.low for i in profile_variance(fit) if i.term == "Block")
    lowest = minimize(
        lambda x: deviance(limit, *x),
        [11.0, 12.7],
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-9},
    ).fun
    assert lowest - refit(fit, "ML").deviance == pytest.approx(chi2.ppf(0.95, 1), abs=1e-4)


def test_limits_reach_zero_and_one_at_the_boundary() -> None:
    # Statistics file row L-ORTH: sd age [0, 0.3386], correlation [-1, 1].
    intervals = {i.quantity: i for i in profile_variance(orthodont("slopes", 11.0))}
    assert intervals["sd age"].low == 0.0
    assert (intervals["cor age (Intercept)"].low, intervals["cor age (Intercept)"].high) == (-1, 1)
    zero = profile_variance(one_way("lme4", "Dyestuff2", "Batch", "Yield", "REML"))[0]
    assert zero.estimate == zero.low == 0.0
    assert 0.0 < zero.high < 10.0


def test_bootstrap_is_seeded_and_may_reach_zero() -> None:
    fit = one_way("lme4", "Dyestuff2", "Batch", "Yield", "REML")
    sample = parametric_bootstrap(fit, 60, seed=5)
    again = parametric_bootstrap(fit, 60, seed=5)
    np.testing.assert_array_equal(sample.estimates, again.estimates)
    assert sample.failed == 0
    limits = sample.percentile_intervals()[sample.names.index(("Batch", "sd (Intercept)"))]
    assert limits[0] == 0.0
    assert limits[1] > 0.0


@pytest.mark.slow
def test_bootstrap_of_a_one_way_layout_has_the_known_distribution() -> None:
    # In a balanced one-way layout the residual mean square over its expectation is chi-squared on
    # 24 degrees of freedom, and the REML estimate of the mean has variance (s_b^2 + s^2/5)/6.
    fit = FITS["dyestuff_reml"]()
    sample = parametric_bootstrap(fit, 800, seed=17)
    sigma = sample.estimates[:, sample.names.index(("residual", "sd all"))]
    positive = sample.estimates[:, sample.names.index(("Batch", "sd (Intercept)"))] > 0
    # Zero exactly when the mean squares' ratio is below one: F(5, 24) scaled by the truth.
    truth = fit.sigma**2 + 5 * fit.component("Batch").covariance[0, 0]
    expected = f.cdf(fit.sigma**2 / truth, 5, 24)
    assert np.mean(~positive) == pytest.approx(
        expected, abs=3 * np.sqrt(expected * (1 - expected) / 800)
    )
    squares = (sigma[positive] / fit.sigma) ** 2
    assert np.mean(squares) == pytest.approx(1.0, abs=0.03)
    mean = sample.estimates[:, 0]
    assert mean.std() == pytest.approx(fit.standard_errors[0], rel=3 / np.sqrt(2 * 800))


def test_likelihood_ratio_of_sleepstudy() -> None:
    # statistics.json sleep_anova: chi-squared 42.1392985, 2 df, p 7.0724e-10 (lme4 1.1-31).
    test = likelihood_ratio_test(sleepstudy("ML", "intercept"), sleepstudy("ML"))
    assert test.statistic == pytest.approx(42.1392985, rel=1e-7)
    assert test.df == 2
    assert test.p_value == pytest.approx(7.0724e-10, rel=1e-4)
    assert test.boundary
    expected = 0.5 * (chi2.sf(test.statistic, 1) + chi2.sf(test.statistic, 2))
    assert test.boundary_p_value == pytest.approx(expected, rel=1e-12)


def test_reml_likelihoods_with_different_fixed_effects_are_refused() -> None:
    data = table("lme4", "sleepstudy")
    terms = [random_intercept("Subject", data.Subject)]
    small = fit_mixed(data.Reaction, np.ones(len(data)), terms)
    large = sleepstudy(random="intercept")
    with pytest.raises(ModelRefusedError, match="refit both by ML"):
        likelihood_ratio_test(small, large)
    test = likelihood_ratio_test(refit(small, "ML"), refit(large, "ML"))
    assert test.df == 1
    assert not test.boundary
    with pytest.raises(ModelRefusedError, match="one model is fitted by"):
        likelihood_ratio_test(refit(small, "ML"), large)
    with pytest.raises(ModelRefusedError, match="are not in the larger"):
        likelihood_ratio_test(refit(large, "ML"), refit(small, "ML"))
