"""Is a predictor's effect on the log hazard a straight line? A spline against it, as rows."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_rows import term_fields
from analysis.models.outcome_model import OutcomeModel
from analysis.models.proportionality import test_fields
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import CoxSample, Ties, with_covariates
from analysis.survival.errors import SurvivalDataError
from analysis.survival.linear import ChiSquareTest
from analysis.survival.splines import restricted_cubic_basis, spline_knots

ANALYSIS = "cox_nonlinearity"


def curved_columns(values: NDArray[Any], count: int) -> NDArray[Any]:
    """Return (n, count - 2) curved columns of a restricted cubic spline of `values` (n,).

    Raises
    ------
    SurvivalDataError
        The values are too few or too alike for the knots.
    """
    try:
        knots = spline_knots(values, count)
    except ValueError as error:
        raise SurvivalDataError(str(error)) from error
    return restricted_cubic_basis(values, knots)[:, 1:]


def nonlinearity_test(
    sample: CoxSample, log_likelihood: float, position: int, knots: int, ties: Ties
) -> ChiSquareTest:
    """Return the likelihood-ratio test that the term at `position` is a straight line.

    Parameters
    ----------
    log_likelihood
        Log partial likelihood of the model in which all terms are straight lines.
    knots
        Number of knots, at Harrell's quantiles of the term among the rows of the model.

    Raises
    ------
    SurvivalDataError
        The knots coincide, or the model with the spline has no estimate.
    """
    curved = curved_columns(sample.covariates[:, position], knots)
    names = [*sample.names, *(f"curve {number + 1}" for number in range(curved.shape[1]))]
    fit = fit_cox(
        with_covariates(sample, np.column_stack([sample.covariates, curved]), names), ties=ties
    )
    if not fit.converged:
        raise SurvivalDataError("the model with the spline has no finite estimate: too few events")
    return ChiSquareTest.of(2 * (fit.log_likelihood - log_likelihood), curved.shape[1])


def add_nonlinearity(numbers: Estimates, outcome: str, model: OutcomeModel, knots: int) -> None:
    """Add the test of each predictor; the other terms of the model stay straight lines."""
    for position, term in enumerate(model.terms[: model.design.n_predictors]):
        try:
            tests = [
                nonlinearity_test(
                    estimate.sample,
                    estimate.fit.log_likelihood,
                    position,
                    knots,
                    estimate.fit.ties,
                )
                for _, estimate in model.fits
            ]
        except SurvivalDataError as error:
            numbers.not_run((outcome, term.name), str(error))
            continue
        fields: EstimateFields = {
            **term_fields(term),
            **test_fields(tests, "curved columns of the spline"),
            "estimation": "partial likelihood",
            "note": f"likelihood ratio, restricted cubic spline with {knots} knots at Harrell's "
            "quantiles against a straight line, other terms unchanged; a large p is no proof of a "
            "straight line",
        }
        numbers.add(outcome, term.name, "nonlinearity_test", fields["statistic"], **fields)
