"""Rows of script 09_misc: restricted cubic splines (R rms 6.5, Hmisc 4.8)."""

from collections.abc import Callable
from functools import partial

import numpy as np

from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import cox_sample
from analysis.survival.linear import ChiSquareTest, chi_square_test
from analysis.survival.splines import restricted_cubic_basis, spline_knots
from tests.published.reference_rows.measurement_error import linear_fit
from tests.published.reference_rows.row import ReferenceRow
from tests.published.survival_tables import lung

UNUSED = "the project reports no such number"


def knots(row: ReferenceRow, count: int) -> None:
    row.same("knots", spline_knots(lung()["age"], count), 1e-12)


def basis(row: ReferenceRow) -> None:
    places = row.at("knots")
    row.same("knots", spline_knots(lung()["age"], 4), 1e-12)
    found = restricted_cubic_basis(row.at("x"), places)
    row.same("basis", found, 1e-10, 1e-13)
    # Without the division by (last - first knot)^2.
    found[:, 1:] *= (places[-1] - places[0]) ** 2
    row.same("norm0", found, 1e-10, 1e-10)
    row.leave("x", "the places asked for")


def cox_model(row: ReferenceRow) -> None:
    table = lung()
    columns = restricted_cubic_basis(table["age"], spline_knots(table["age"], 4))
    design = np.column_stack([columns, table["sex"]])
    fit = fit_cox(cox_sample(design, table["time"], table["event"]))
    # `cph` stops when its log-likelihood has settled to 1e-4, some 1e-5 away from the maximum of
    # the ill-conditioned cubic columns (a maximum is never below its -741.975995642).
    assert fit.log_likelihood >= row.at("loglik/1")
    row.same("coef", fit.coefficients, 2e-5)
    row.same("se", fit.standard_errors, 2e-5)
    row.same("loglik", [fit.log_likelihood_null, fit.log_likelihood], 1e-9)
    blocks = [[0, 1, 2], [1, 2], [3], [0, 1, 2, 3]]
    for place, block in enumerate(blocks):
        inside = fit.covariance[np.ix_(block, block)]
        test = chi_square_test(fit.coefficients[block], inside)
        row.same(f"anova/{place}/Chi-Square", test.statistic, 5e-5)
        row.same(f"anova/{place}/d.f.", test.df, 0)
        row.same(f"anova/{place}/P", test.p, 2e-4)
    row.same("stats/Obs", fit.n, 0)
    row.same("stats/Events", fit.n_events, 0)
    row.same("stats/Model L.R.", fit.likelihood_ratio.statistic, 1e-7)
    row.same("stats/d.f.", fit.likelihood_ratio.df, 0)
    row.same("stats/P", fit.likelihood_ratio.p, 1e-7)
    row.same("stats/Score", fit.score.statistic, 1e-8)
    row.same("stats/Score P", ChiSquareTest.of(fit.score.statistic, 4).p, 1e-8)
    for name in row.at("stats"):
        row.leave(f"stats/{name}", UNUSED)


def linear_model(row: ReferenceRow) -> None:
    """Weight loss on the spline of age, with the knots of everybody's age."""
    table = lung().dropna(subset=["wt.loss"])
    columns = restricted_cubic_basis(table["age"], spline_knots(lung()["age"], 4))
    row.same("coef", linear_fit(columns, table["wt.loss"].to_numpy(dtype=float))[0], 1e-6)
    row.same("n", len(table), 0)


ROWS: dict[str, Callable[[ReferenceRow], None]] = {
    **{f"09_misc/rcs_knots_{count}": partial(knots, count=count) for count in range(3, 8)},
    "09_misc/rcs_basis4": basis,
    "09_misc/rcs_cph": cox_model,
    "09_misc/rcs_ols": linear_model,
}
