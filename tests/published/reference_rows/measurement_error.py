"""Rows of script 07_me: regression calibration, SIMEX, pooling (R mecor 1.0.0, simex 1.8, mice)."""

from collections.abc import Callable

import numpy as np

from analysis.imputation.pooling import barnard_rubin_df
from analysis.models.measurement_error import ErrorModel, calibration_matrix, correct
from analysis.sensitivity.simex import LAMBDAS, quadratic_at, simex
from tests.published.reference_rows.row import ReferenceRow
from tests.published.survival_tables import reference_table

Fit = tuple[np.ndarray, np.ndarray]
ERROR_VARIANCE = 0.25


def linear_fit(predictors: np.ndarray, response: np.ndarray) -> Fit:
    """Least squares with an intercept: coefficients and their covariance."""
    design = np.column_stack([np.ones(len(response)), predictors])
    coefficients, *_ = np.linalg.lstsq(design, response, rcond=None)
    residual = response - design @ coefficients
    variance = residual @ residual / (len(design) - design.shape[1])
    return coefficients, variance * np.linalg.inv(design.T @ design)


def table_size(row: ReferenceRow) -> None:
    row.same("n", len(reference_table("mecor_bp")), 0)


def calibration_with_replicates(row: ReferenceRow) -> None:
    """Rosner, Spiegelman & Willett 1992; Bartlett et al. 2009: the replicates are sbp60, sbp120."""
    table = reference_table("mecor_bp")
    response = table["creatinine"].to_numpy()
    naive, naive_covariance = linear_fit(table[["sbp30", "age"]].to_numpy(), response)
    row.column("unc", "Estimate", naive, 1e-9)
    row.column("unc", "Std. Error", np.sqrt(np.diag(naive_covariance)), 1e-9)
    for place in range(3):
        row.leave(f"unc/{place}", "tests that all coefficients are zero: of no use to the cohort")
    given = np.column_stack([np.ones(len(table)), table["age"]])
    pair = np.column_stack([table["sbp30"], table[["sbp60", "sbp120"]].mean(axis=1)])
    left = pair - given @ np.linalg.lstsq(given, pair, rcond=None)[0]
    df = len(table) - 2.0
    covariance = left.T @ left / df
    measured, true = covariance[0, 0], covariance[0, 1]
    model = ErrorModel(
        np.array([[measured]]), np.array([[measured - true]]), df, df, np.array([measured])
    )
    found = correct(naive[1:2], naive_covariance[1:2, 1:2], model, np.random.default_rng(1))
    # Printed with six decimals.
    row.same("corr/1/Estimate", found.coefficients, 0, 5.1e-7)
    # The reference's error is that of the delta method; ours adds drawn covariance matrices. They
    # agree to the leading order only, and 2,000 draws leave about 1 %.
    row.same("corr/1/SE", found.standard_errors(), 0.015)
    for place in (0, 2):
        row.leave(f"corr/{place}", "coefficients of the other columns are not corrected here")


def maximum_likelihood(row: ReferenceRow) -> None:
    row.leave("corr", "the errors of this program are unusable, as the reference itself says")


def error_in_a_linear_model(row: ReferenceRow) -> None:
    """Cook & Stefanski 1994; Stefanski & Cook 1995: error variance 0.25, 200 rows."""
    table = reference_table("simex_lin")
    predictor, response = table[["w"]].to_numpy(), table["y"].to_numpy()
    row.same("true", linear_fit(table[["x"]].to_numpy(), response)[0], 1e-9)
    row.same("naive", linear_fit(predictor, response)[0], 1e-9)
    grid = np.array(row.at("analytic_grid"))
    row.same("analytic_quad_at_minus1", quadratic_at(np.array([0, *LAMBDAS]), grid[:, None]), 1e-9)
    variance = predictor.var()  # divided by n, as in the reference
    exact = calibration_matrix(np.array([[variance]]), np.array([[ERROR_VARIANCE]]))
    row.same("analytic_exact", exact[0] * row.at("naive/w"), 1e-9)
    found = simex(
        predictor,
        np.array([[ERROR_VARIANCE]]),
        lambda x: linear_fit(x, response),
        repeats=400,
        rng=np.random.default_rng(1),
    )
    error = found.simulation_error
    # Three Monte-Carlo errors of ours and of the reference's 5,000 refits.
    near = 3 * np.sqrt(1 + 400 / 5000) * error
    row.same("simexB5000/(Intercept)", found.coefficients[0], 0, near[0])
    row.same("simexB5000/w", found.coefficients[1], 0, near[1])
    row.same("analytic_grid/0", found.grid[0, 1], 1e-9)
    for place in range(1, 5):
        # STATISTICS.md: to 0.005 of the deterministic grid (each of them an expected slope to the
        # leading order: the mean of a ratio is not the ratio of the means).
        row.same(f"analytic_grid/{place}", found.grid[place, 1], 0, 0.005)
    for place in range(6):
        row.leave(f"theta/{place}", "the reference's draws: their grid is compared above")
    row.same("jack_se/1/1", np.sqrt(found.covariance[1, 1]), 0.05)
    row.leave("jack_se", "a second run of the reference with 500 refits: its error as above")
    row.leave("asym_se", "the other variance formula of the reference; the jackknife is used")
    row.leave("sec", "the reference's time")


def degrees_of_freedom(row: ReferenceRow) -> None:
    """Barnard & Rubin 1999: five imputations, between-variance 1.2 of a total of 4."""
    row.same("v/m5", barnard_rubin_df(5, 1.2, 4.0, 20.0), 1e-12)
    row.same("v/inf", barnard_rubin_df(5, 1.2, 4.0, np.inf), 1e-12)


ROWS: dict[str, Callable[[ReferenceRow], None]] = {
    "07_me/bp_names": table_size,
    "07_me/bp_rc_repl": calibration_with_replicates,
    "07_me/bp_mle": maximum_likelihood,
    "07_me/simex_lin": error_in_a_linear_model,
    "07_me/barnard": degrees_of_freedom,
}
