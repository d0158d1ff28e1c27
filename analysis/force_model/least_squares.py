"""Ordinary least squares with columns that carry nothing left out, and its prediction error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.force_model.inputs import Array
from analysis.mixed import ModelRefusedError

COLLINEAR = 1e-9
"""Share of a column's length left after the columns before it that counts as nothing."""


@dataclass(frozen=True)
class Line:
    """A fitted linear model.

    Attributes
    ----------
    columns : (p,) positions of the columns that were kept
    coefficients : (p,)
    inverse : (p, p) inverse of X'X
    deviation : residual standard deviation, trials of an athlete counted as single landings
    residuals : (n,)
    """

    columns: Array
    coefficients: Array
    inverse: Array
    deviation: float
    residuals: Array

    def at(self, matrix: Array) -> Array:
        """Return (n,) fitted values at the rows of the full matrix."""
        return matrix[:, self.columns] @ self.coefficients

    def deviation_at(self, matrix: Array) -> Array:
        """Return (n,) standard deviations of a new observation around the fitted value."""
        chosen = matrix[:, self.columns]
        leverage = np.einsum("ij,jk,ik->i", chosen, self.inverse, chosen)
        return self.deviation * np.sqrt(1.0 + leverage)


def independent_columns(matrix: Array) -> Array:
    """Return the positions of columns that add something to those before them.

    Among the landings of one site a task, a box or a limb may not vary.
    """
    kept: list[int] = []
    basis = np.zeros((len(matrix), 0))
    for place in range(matrix.shape[1]):
        column = matrix[:, place]
        rest = column - basis @ (basis.T @ column)
        rest -= basis @ (basis.T @ rest)  # once more: rounding leaves a trace of the basis
        length = float(np.linalg.norm(rest))
        if length > COLLINEAR * float(np.linalg.norm(column)) > 0.0:
            kept.append(place)
            basis = np.column_stack([basis, rest / length])
    return np.array(kept, dtype=int)


def fit_line(matrix: Array, response: Array) -> Line:
    """Fit by least squares; the first column of `matrix` (n, q) is the intercept.

    Raises
    ------
    ModelRefusedError
        No more landings than coefficients.
    """
    columns = independent_columns(matrix)
    if len(matrix) <= columns.size:
        raise ModelRefusedError(
            f"{len(matrix)} landings for {columns.size} coefficients; more landings are needed"
        )
    chosen = matrix[:, columns]
    coefficients = np.linalg.lstsq(chosen, response, rcond=None)[0]
    residuals = response - chosen @ coefficients
    free = len(matrix) - columns.size
    deviation = float(np.sqrt(residuals @ residuals / free))
    return Line(columns, coefficients, np.linalg.inv(chosen.T @ chosen), deviation, residuals)
