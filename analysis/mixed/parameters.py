"""Free parameters of the variance: relative factors of the random terms, residual ratios."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.mixed.design import Array, MixedDesign


@dataclass(frozen=True)
class Layout:
    """Which entry of the parameter vector stands where.

    Each random term owns the lower triangle (or the diagonal) of its relative factor L, row by
    row; after them come the logarithms of the residual standard deviation of the second and
    further strata relative to the first.
    """

    rows: tuple[Array, ...]
    columns: tuple[Array, ...]
    widths: tuple[int, ...]
    strata: int

    @property
    def size(self) -> int:
        """Number of free parameters besides the residual standard deviation."""
        return sum(part.size for part in self.rows) + self.strata - 1

    @property
    def diagonal(self) -> Array:
        """Positions of the diagonal entries of the factors."""
        flags = [part == other for part, other in zip(self.rows, self.columns, strict=True)]
        return np.flatnonzero(np.concatenate(flags))

    def factors(self, parameters: Array) -> list[Array]:
        """Return the relative factor (q, q) of each term."""
        out, at = [], 0
        for rows, columns, width in zip(self.rows, self.columns, self.widths, strict=True):
            factor = np.zeros((width, width), dtype=parameters.dtype)
            factor[rows, columns] = parameters[at : at + rows.size]
            out.append(factor)
            at += rows.size
        return out

    def log_ratios(self, parameters: Array) -> Array:
        """Return log residual standard deviation ratios, the first stratum's being zero."""
        free = parameters[parameters.size - (self.strata - 1) :]
        return np.concatenate([np.zeros(1, dtype=parameters.dtype), free])

    def gradient(self, factors: list[Array], log_ratios: Array) -> Array:
        """Return slopes in the parameters from slopes in each factor and each log ratio."""
        parts = [
            slope[rows, columns]
            for slope, rows, columns in zip(factors, self.rows, self.columns, strict=True)
        ]
        return np.concatenate([*parts, log_ratios[1:]])

    def start(self, scale: float) -> Array:
        """Return parameters with every relative standard deviation equal to `scale`."""
        out = np.zeros(self.size)
        out[self.diagonal] = scale
        return out


def layout_of(design: MixedDesign) -> Layout:
    """Return the parameter layout of a model."""
    rows, columns, widths = [], [], []
    for term in design.random:
        width = len(term.columns)
        if term.structure == "diagonal":
            row = column = np.arange(width)
        else:
            row, column = np.tril_indices(width)
        rows.append(row)
        columns.append(column)
        widths.append(width)
    return Layout(tuple(rows), tuple(columns), tuple(widths), len(design.strata_names))
