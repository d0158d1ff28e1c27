"""Turn caller's arrays into checked float arrays, or say which column and row is wrong."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.survival.errors import SurvivalDataError

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]
Booleans = NDArray[np.bool_]

# Times closer than this share of their mean differ only by floating-point noise (e.g. ages
# computed by subtraction): they are ties. The same rule and value as in survival for R.
TIME_TOLERANCE = float(np.sqrt(np.finfo(np.float64).eps))


def first_rows(bad: Booleans, values: NDArray | None = None, limit: int = 3) -> str:
    """Describe the first offending rows, counted from 0, with their values."""
    rows = np.flatnonzero(bad)
    shown = [f"{row}" if values is None else f"{row} ({values[row]})" for row in rows[:limit]]
    more = f" and {rows.size - limit} more" if rows.size > limit else ""
    return f"row {', '.join(shown)}{more}"


def column(values: ArrayLike, name: str, length: int | None = None) -> Floats:
    """Return one finite float column.

    Raises
    ------
    SurvivalDataError : not one-dimensional, wrong length, empty, not a number, or not finite
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise SurvivalDataError(f"{name}: expected numbers, found {error}") from error
    if array.ndim != 1:
        raise SurvivalDataError(f"{name}: expected one column, found shape {array.shape}")
    if array.size == 0:
        raise SurvivalDataError(f"{name}: no rows, there is nobody to analyse")
    if length is not None and array.size != length:
        raise SurvivalDataError(f"{name}: expected {length} rows, found {array.size}")
    finite = np.isfinite(array)
    if not finite.all():
        raise SurvivalDataError(
            f"{name}: missing or infinite value in {first_rows(~finite, array)}; "
            "drop or impute these rows before fitting and report how many"
        )
    return array


def event_indicator(event: ArrayLike, length: int, name: str = "event") -> Booleans:
    """Return a boolean event column from 0/1 or booleans."""
    values = column(event, name, length)
    bad = (values != 0) & (values != 1)
    if bad.any():
        raise SurvivalDataError(f"{name}: expected 0 or 1, found {first_rows(bad, values)}")
    return values == 1


def follow_up(
    stop: ArrayLike, event: ArrayLike, start: ArrayLike | None = None
) -> tuple[Floats | None, Floats, Booleans]:
    """Return checked ``(start, stop, event)``; times equal but for rounding are made equal.

    A row is under observation in the half-open interval ``(start, stop]``; without ``start``
    from the beginning of time.
    """
    stop_time = column(stop, "stop")
    if (stop_time < 0).any():
        raise SurvivalDataError(f"stop: negative time in {first_rows(stop_time < 0, stop_time)}")
    happened = event_indicator(event, stop_time.size)
    if start is None:
        return None, merge_close_times(stop_time), happened
    start_time = column(start, "start", stop_time.size)
    both = merge_close_times(np.concatenate([start_time, stop_time]))
    start_time, stop_time = both[: stop_time.size], both[stop_time.size :]
    bad = start_time >= stop_time
    if bad.any():
        pairs = np.array([f"{a} to {b}" for a, b in zip(start_time, stop_time, strict=True)])
        raise SurvivalDataError(f"start: entry is not before exit in {first_rows(bad, pairs)}")
    return start_time, stop_time, happened


def merge_close_times(times: Floats) -> Floats:
    """Give times that differ only by floating-point noise one common value (the smallest)."""
    return merge_close(times, TIME_TOLERANCE)


def merge_close(values: Floats, tolerance: float) -> Floats:
    """Give values whose gap is within ``tolerance`` of their mean size one common value."""
    distinct = np.unique(values)
    if distinct.size < 2:
        return values
    same = np.diff(distinct) <= tolerance * float(np.abs(distinct).mean())
    if not same.any():
        return values
    representative = np.concatenate([[True], ~same])
    leader = np.flatnonzero(representative)[np.cumsum(representative) - 1]
    return distinct[leader][np.searchsorted(distinct, values)]


def covariate_matrix(
    covariates: ArrayLike, length: int, names: Sequence[str] | None
) -> tuple[Floats, tuple[str, ...]]:
    """Return a finite ``(rows, covariates)`` matrix and its column names."""
    try:
        matrix = np.asarray(covariates, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise SurvivalDataError(f"covariates: expected numbers, found {error}") from error
    if matrix.ndim == 1:
        matrix = matrix[:, None]
    if matrix.ndim != 2 or matrix.shape[0] != length:
        raise SurvivalDataError(f"covariates: expected {length} rows, found shape {matrix.shape}")
    labels = _covariate_names(matrix.shape[1], names)
    finite = np.isfinite(matrix)
    if not finite.all():
        k = int(np.flatnonzero(~finite.all(axis=0))[0])
        raise SurvivalDataError(
            f"covariate {labels[k]!r}: missing or infinite value in "
            f"{first_rows(~finite[:, k], matrix[:, k])}; "
            "drop or impute these rows before fitting and report how many"
        )
    return matrix, labels


def _covariate_names(count: int, names: Sequence[str] | None) -> tuple[str, ...]:
    if names is None:
        return tuple(f"x{k + 1}" for k in range(count))
    labels = tuple(str(name) for name in names)
    if len(labels) != count or len(set(labels)) != count:
        raise SurvivalDataError(f"names: expected {count} different names, found {list(labels)}")
    return labels


def group_codes(labels: ArrayLike, length: int, name: str) -> tuple[NDArray, Integers]:
    """Return the sorted distinct labels and each row's code among them."""
    array = np.asarray(labels)
    if array.shape != (length,):
        raise SurvivalDataError(f"{name}: expected {length} labels, found shape {array.shape}")
    missing = _missing_labels(array)
    if missing.any():
        raise SurvivalDataError(f"{name}: missing label in {first_rows(missing)}")
    distinct, codes = np.unique(array, return_inverse=True)
    return distinct, codes.astype(np.intp)


def _missing_labels(labels: NDArray) -> Booleans:
    if labels.dtype.kind == "f":
        return np.isnan(labels)
    if labels.dtype.kind == "O":
        return np.array([label is None or label != label for label in labels], dtype=bool)
    return np.zeros(labels.size, dtype=bool)


def case_weights(weights: ArrayLike | None, length: int) -> Floats:
    """Return positive case weights (ones when not given)."""
    if weights is None:
        return np.ones(length)
    values = column(weights, "weights", length)
    if (values <= 0).any():
        raise SurvivalDataError(
            f"weights: expected positive weights, found {first_rows(values <= 0, values)}; "
            "leave out rows without weight"
        )
    return values


def confidence_level(level: float) -> float:
    """Return the level if it lies strictly between 0 and 1."""
    if not 0 < level < 1:
        raise SurvivalDataError(f"level: expected a confidence level in (0, 1), found {level}")
    return float(level)
