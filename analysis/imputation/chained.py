"""Chained equations: each incomplete variable in turn is drawn from its regression on all others.

A value that a saturated sensor bounds from below takes part in the fit of its own variable with
its current draw, and is drawn anew above the bound (data augmentation: Tanner and Wong 1987, J Am
Stat Assoc 82:528; for the censored regression: Chib 1992, J Econometrics 51:79). Left out of the
fit, the largest values would be missing from it because they are large. A value of which nothing
is known takes no part in the fit of its variable (van Buuren and Groothuis-Oudshoorn 2011, J Stat
Softw 45(3)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.imputation.draws import draw_above, draw_donors, draw_regression, full_rank
from analysis.imputation.errors import ImputationError

Array = NDArray[np.float64]
Method = Literal["normal", "predictive_mean_matching"]


@dataclass(frozen=True)
class Incomplete:
    """Variables with gaps beside complete columns; see `incomplete` for the checks.

    Attributes
    ----------
    values : (n, v), NaN where a value is missing or only known to lie above a bound
    lower : (n, v) bound from below of such a value, minus infinity where it is missing for good
    complete : (n, c) columns that help to predict, the intercept among them
    names : v names
    left_out : complete columns that were left out, being constant or combinations of others
    """

    values: Array
    lower: Array
    complete: Array
    names: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def is_bounded(self) -> NDArray[np.bool_]:
        """(n, v) True where a value is known to lie above a bound."""
        return np.isnan(self.values) & np.isfinite(self.lower)

    @property
    def is_missing(self) -> NDArray[np.bool_]:
        """(n, v) True where nothing is known of a value."""
        return np.isnan(self.values) & np.isneginf(self.lower)


@dataclass(frozen=True)
class Completed:
    """One completed data set.

    Attributes
    ----------
    values : (n, v) without gaps; observed values as they were
    means : (iterations, v) mean of the filled values after each iteration, NaN without gaps
    """

    values: Array
    means: Array


def _refuse_values(values: Array, names: Sequence[str]) -> None:
    infinite = np.isinf(values).any(axis=0)
    if infinite.any():
        raise ImputationError(f"{names[int(infinite.argmax())]}: an athlete has an infinite value")
    for name, column in zip(names, values.T, strict=True):
        known = column[~np.isnan(column)]
        if not known.size:
            raise ImputationError(f"{name}: no athlete has a value, so there is nothing to learn")
        if known.min() == known.max():
            raise ImputationError(f"{name}: every athlete with a value has the same one")


def _independent(complete: Array, names: Sequence[str]) -> tuple[Array, tuple[str, ...]]:
    kept: list[Array] = []
    left_out = []
    for name, column in zip(names, complete.T, strict=True):
        spread = float(column.std())
        scaled = column if spread == 0 else (column - column.mean()) / spread
        if full_rank(np.column_stack([np.ones(len(column)), *kept, scaled])):
            kept.append(scaled)
        else:
            left_out.append(name)
    return np.column_stack([np.ones(len(complete)), *kept]), tuple(left_out)


def incomplete(
    values: ArrayLike,
    lower: ArrayLike,
    complete: ArrayLike,
    names: Sequence[str],
    complete_names: Sequence[str],
) -> Incomplete:
    """Return checked data for `impute`.

    Parameters
    ----------
    values
        (n, v), NaN where there is no value.
    lower
        (n, v), a finite number where the value is only known to be at least this large (its cell
        of `values` must then be NaN), else minus infinity.
    complete
        (n, c) columns without gaps and without intercept; they are centred and scaled here.

    Raises
    ------
    ImputationError
        Shapes that do not fit, a gap in `complete`, an infinite value, a variable without any value
        or with one value only.
    """
    values, lower = np.asarray(values, float), np.asarray(lower, float)
    complete = np.asarray(complete, float)
    if values.shape != lower.shape or values.shape != (len(complete), len(names)):
        raise ImputationError(
            f"values {values.shape}, bounds {lower.shape}, complete columns {complete.shape} and "
            f"{len(names)} names do not fit together"
        )
    _refuse_values(values, names)
    if not np.isfinite(complete).all():
        place = int((~np.isfinite(complete)).any(axis=0).argmax())
        raise ImputationError(f"{complete_names[place]}: a column that must be complete has a gap")
    if (np.isfinite(lower) & ~np.isnan(values)).any() or np.isnan(lower).any():
        raise ImputationError("a cell has a value as well as a bound, or its bound is no number")
    columns, left_out = _independent(complete, complete_names)
    return Incomplete(values, lower, columns, tuple(names), left_out)


def _start(data: Incomplete, random: np.random.Generator) -> Array:
    """Return the data with each gap filled by an observed value at random, or by its bound."""
    filled = data.values.copy()
    for place in range(filled.shape[1]):
        known = data.values[~np.isnan(data.values[:, place]), place]
        gaps = np.isnan(data.values[:, place])
        drawn = random.choice(known, size=int(gaps.sum()))
        filled[gaps, place] = np.maximum(drawn, data.lower[gaps, place])
    return filled


def _redraw(
    data: Incomplete,
    filled: Array,
    place: int,
    method: Method,
    donors: int,
    random: np.random.Generator,
) -> None:
    """Draw the gaps of one variable anew, in `filled`."""
    missing, bounded = data.is_missing[:, place], data.is_bounded[:, place]
    matrix = np.column_stack([data.complete, np.delete(filled, place, axis=1)])
    known = ~missing
    draw = draw_regression(matrix[known], filled[known, place], random, data.names[place])
    predicted = matrix @ draw.coefficients
    gaps = missing | bounded if method == "normal" else bounded
    filled[gaps, place] = draw_above(predicted[gaps], draw.sigma, data.lower[gaps, place], random)
    if method == "predictive_mean_matching" and missing.any():
        filled[missing, place] = draw_donors(
            filled[known, place],
            matrix[known] @ draw.estimate,
            predicted[missing],
            donors,
            random,
        )


def impute(
    data: Incomplete,
    *,
    iterations: int,
    method: Method,
    donors: int,
    random: np.random.Generator,
) -> Completed:
    """Return one completed data set after some rounds over the incomplete variables.

    Variables are visited from the fewest gaps to the most. Values bounded from below are drawn from
    the truncated normal distribution under either method: no donor is known to lie above the bound.

    Raises
    ------
    ImputationError
        The athletes with a value cannot carry the imputation model of a variable.
    """
    filled = _start(data, random)
    gaps = np.isnan(data.values)
    counts = gaps.sum(axis=0)
    order = [int(place) for place in np.argsort(counts, kind="stable") if counts[place]]
    means = np.full((iterations, len(data.names)), np.nan)
    for iteration in range(iterations):
        for place in order:
            _redraw(data, filled, place, method, donors, random)
            means[iteration, place] = filled[gaps[:, place], place].mean()
    return Completed(filled, means)


def impute_many(
    data: Incomplete,
    *,
    data_sets: int,
    iterations: int,
    method: Method,
    donors: int,
    seed: int,
) -> list[Completed]:
    """Return completed data sets, each from its own stream of the seed."""
    return [
        impute(
            data,
            iterations=iterations,
            method=method,
            donors=donors,
            random=np.random.default_rng([seed, number]),
        )
        for number in range(data_sets)
    ]
