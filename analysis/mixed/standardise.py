"""Centring and scaling inside the estimator, and the way back to the units of the data.

The deviance is computed on an orthonormal basis of the fixed columns, a residual of length one
per row, and random columns of unit mean square. For unstructured terms the random columns are
also made orthogonal, which changes nothing in the model (the covariance is mapped back) but lets
the optimiser succeed on uncentred slopes such as age in years.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.mixed.design import Array, MixedDesign, ModelRefusedError, RandomTerm

# Share of the length of an outcome below which what the fixed effects leave is rounding.
NO_VARIATION = 1e-12


@dataclass(frozen=True)
class Scales:
    """How standardised quantities map to the units of the data.

    Attributes
    ----------
    response
        Length of one unit of the standardised outcome.
    offset
        (p,) least-squares coefficients that were taken out of the outcome.
    fixed
        (p, p) map from coefficients of the basis to coefficients of the columns.
    log_determinant
        log |det| of the map from basis to columns, needed by the REML likelihood.
    random
        Per term, (q, q) map from standardised random effects to those of the columns.
    """

    response: float
    offset: Array
    fixed: Array
    log_determinant: float
    random: tuple[Array, ...]


@dataclass(frozen=True)
class StandardForm:
    """Standardised outcome (n,), fixed basis (n, p), random columns per term (n, q), scales."""

    response: Array
    fixed: Array
    random: tuple[Array, ...]
    scales: Scales


def standard_form(design: MixedDesign) -> StandardForm:
    """Return the model in standard form; refuses an outcome that does not vary."""
    rows, columns = design.fixed.shape
    lengths = np.linalg.norm(design.fixed, axis=0)
    basis, triangle = np.linalg.qr(design.fixed / lengths)
    log_determinant = float(np.sum(np.log(np.abs(np.diag(triangle)))) + np.sum(np.log(lengths)))
    terms = [_standard_random(term) for term in design.random]
    scales = Scales(
        response=1.0,
        offset=np.zeros(columns),
        fixed=np.linalg.inv(triangle) / lengths[:, None] * np.sqrt(rows),
        log_determinant=log_determinant - 0.5 * columns * float(np.log(rows)),
        random=tuple(back for _, back in terms),
    )
    form = StandardForm(
        response=design.response,
        fixed=basis * np.sqrt(rows),
        random=tuple(columns for columns, _ in terms),
        scales=scales,
    )
    return form_with_response(form, design.response)


def form_with_response(form: StandardForm, response: Array) -> StandardForm:
    """Return the form for an outcome in units of the data: residual of length one per row.

    Raises
    ------
    ModelRefusedError
        The fixed effects reproduce the outcome.
    """
    rows = response.shape[0]
    projection = form.fixed.T @ response / rows
    residual = response - form.fixed @ projection
    residual -= form.fixed @ (form.fixed.T @ residual) / rows
    left, whole = float(np.linalg.norm(residual)), float(np.linalg.norm(response))
    if left <= NO_VARIATION * max(whole, float(np.finfo(float).tiny)):
        raise ModelRefusedError(
            "the outcome does not vary beyond the fixed effects (all values equal, or reproduced "
            "exactly): there is no variance to divide"
        )
    length = left / float(np.sqrt(rows))
    scales = replace(form.scales, response=length, offset=form.scales.fixed @ projection)
    return replace(form, response=residual / length, scales=scales)


def _standard_random(term: RandomTerm) -> tuple[Array, Array]:
    rows = term.design.shape[0]
    if term.structure == "diagonal" or len(term.columns) == 1:
        lengths = np.sqrt(np.mean(term.design**2, axis=0))
        return term.design / lengths, np.diag(1.0 / lengths)
    lengths = np.linalg.norm(term.design, axis=0)
    basis, triangle = np.linalg.qr(term.design / lengths)
    back = np.linalg.inv(triangle) / lengths[:, None] * np.sqrt(rows)
    return basis * np.sqrt(rows), back
