"""The primary Cox models fitted a second time by a library, and how far it differs."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.estimates import EstimateFields, Estimates
from analysis.models.cox_design import CoxDesign
from analysis.models.cox_rows import term_fields
from analysis.models.outcome_model import OutcomeModel

Array = NDArray[np.float64]


def _by_lifelines(design: CoxDesign) -> tuple[Array, Array]:
    """Return coefficients and standard errors of lifelines, which treats ties by Efron."""
    from lifelines import CoxPHFitter

    table = pd.DataFrame(design.matrix, columns=list(design.names))
    table["time"], table["event"], table["stratum"] = design.time, design.event, design.strata
    # The library stops early by default: coefficients then agree to six digits only.
    precise = {"precision": 1e-12, "r_precision": 1e-14}
    fitter = CoxPHFitter()
    fitter.fit(table, "time", "event", strata=["stratum"], fit_options=precise)
    return fitter.params_.to_numpy(), fitter.standard_errors_.to_numpy()


def _by_statsmodels(design: CoxDesign) -> tuple[Array, Array]:
    """Return coefficients and standard errors of statsmodels with Breslow's treatment of ties."""
    from statsmodels.duration.hazard_regression import PHReg

    model = PHReg(
        design.time, design.matrix, status=design.event, strata=design.strata, ties="breslow"
    )
    fit = model.fit()
    return np.asarray(fit.params), np.asarray(fit.bse)


def library_fit(design: CoxDesign, ties: str) -> tuple[str, Array, Array]:
    """Return the library's name, its coefficients and standard errors."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if ties == "efron":
            return "lifelines CoxPHFitter", *_by_lifelines(design)
        return "statsmodels PHReg", *_by_statsmodels(design)


def library_numbers(
    model: OutcomeModel, plan: Mapping[str, Any], outcome: str, data: str = ""
) -> Estimates:
    """Return the library's hazard ratios and how far its coefficients and errors lie from ours.

    `data` goes behind each term in addresses; it names the rows of the fit, '' the complete cases.
    """
    design, estimate = model.fits[0]
    shared = model.shared_fields(plan, outcome)
    shared["family"] = "descriptive"
    shared.pop("converged")
    numbers = Estimates("cox_second_opinion", **shared)
    if not estimate.converged:
        numbers.not_run(
            (outcome, data), "our own fit did not converge, so there is nothing to compare"
        )
        return numbers
    try:
        name, coefficients, errors = library_fit(design, plan["cox"]["ties"])
    except (ArithmeticError, ValueError, np.linalg.LinAlgError) as error:
        numbers.not_run((outcome, data), f"the library failed: {type(error).__name__}")
        return numbers
    for position, term in enumerate(design.terms):
        own, own_error = estimate.fit.coefficients[position], estimate.fit.standard_errors[position]
        se = float(errors[position])
        named: EstimateFields = {**term_fields(term), "note": name, "se": se, "se_scale": "log"}
        ratio = math.exp(coefficients[position])
        numbers.add(outcome, (term.name, data), "hazard_ratio", ratio, **named)
        fields = term_fields(term)
        fields["unit"] = "standard errors"
        fields["note"] = f"{name}: coefficient minus ours, in units of our standard error"
        apart = float((coefficients[position] - own) / own_error)
        numbers.add(outcome, (term.name, data), "difference_in_standard_errors", apart, **fields)
        fields["unit"] = "share"
        fields["note"] = f"{name}: standard error over ours, minus 1"
        relative = se / float(own_error) - 1
        numbers.add(
            outcome, (term.name, data), "relative_difference_of_standard_error", relative, **fields
        )
    return numbers
