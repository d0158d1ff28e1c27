"""Centring and scaling inside the estimator, and the way back to the units of the data.

The deviance is computed on an orthonormal basis of the fixed columns, a residual of length one
per row, and random columns of unit mean square. For unstructured terms the random columns are
also made orthogonal, which changes nothing in the model (the covariance is mapped back) but lets
the optimiser succeed on uncentred slopes such as age in years.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.design import Array, MixedDesign, RandomTerm


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
    """Return the model in standard form."""
    rows = design.response.shape[0]
    lengths = np.linalg.norm(design.fixed, axis=0)
    basis, triangle = np.linalg.qr(design.fixed / lengths)
    projection = basis.T @ design.response
    residual = design.response - basis @ projection
    residual -= basis @ (basis.T @ residual)
    length = float(np.linalg.norm(residual) / np.sqrt(rows))
    to_columns = np.linalg.inv(triangle) / lengths[:, None]
    log_determinant = float(
        np.sum(np.log(np.abs(np.diag(triangle)))) + np.sum(np.log(lengths)) - _half_log(rows, basis)
    )
    terms = [_standard_random(term) for term in design.random]
    return StandardForm(
        response=residual / length,
        fixed=basis * np.sqrt(rows),
        random=tuple(columns for columns, _ in terms),
        scales=Scales(
            response=length,
            offset=to_columns @ projection,
            fixed=to_columns * np.sqrt(rows),
            log_determinant=log_determinant,
            random=tuple(back for _, back in terms),
        ),
    )


def _half_log(rows: int, basis: Array) -> float:
    return 0.5 * basis.shape[1] * float(np.log(rows))


def _standard_random(term: RandomTerm) -> tuple[Array, Array]:
    rows = term.design.shape[0]
    if term.structure == "diagonal":
        lengths = np.sqrt(np.mean(term.design**2, axis=0))
        return term.design / lengths, np.diag(1.0 / lengths)
    lengths = np.linalg.norm(term.design, axis=0)
    basis, triangle = np.linalg.qr(term.design / lengths)
    back = np.linalg.inv(triangle) / lengths[:, None] * np.sqrt(rows)
    return basis * np.sqrt(rows), back
