"""Mean squares of a complete table of subjects by raters (or trials, or visits)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True)
class MeanSquares:
    """Two-way analysis of variance of n subjects by k raters, in the letters of Shrout & Fleiss.

    `between` MSB, `within` MSW, `raters` MSJ, `error` MSE.
    """

    subjects: int
    raters_count: int
    between: float
    within: float
    raters: float
    error: float


def two_way_mean_squares(scores: ArrayLike) -> MeanSquares:
    """Return the mean squares of an (n, k) table; ValueError if incomplete or too small."""
    table: NDArray[Any] = np.asarray(scores, dtype=float)
    if table.ndim != 2 or table.shape[0] < 2 or table.shape[1] < 2:
        raise ValueError(
            f"scores have shape {table.shape}; expected at least 2 subjects in rows and 2 raters "
            "or trials in columns"
        )
    if not np.all(np.isfinite(table)):
        row, column = np.argwhere(~np.isfinite(table))[0]
        raise ValueError(
            f"score of subject {row}, column {column} is missing or infinite; drop the subject or "
            "take the variance components of a mixed model, which allows gaps"
        )
    n, k = table.shape
    grand = table.mean()
    subject_means, rater_means = table.mean(axis=1), table.mean(axis=0)
    left = table - subject_means[:, None] - rater_means[None, :] + grand
    within = table - subject_means[:, None]
    return MeanSquares(
        subjects=n,
        raters_count=k,
        between=float(k * np.sum((subject_means - grand) ** 2) / (n - 1)),
        within=float(np.sum(within**2) / (n * (k - 1))),
        raters=float(n * np.sum((rater_means - grand) ** 2) / (k - 1)),
        error=float(np.sum(left**2) / ((n - 1) * (k - 1))),
    )
