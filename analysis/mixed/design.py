"""What a mixed model is made of: outcome, fixed columns, random terms; refused when unusable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]
Structure = Literal["unstructured", "diagonal"]

# A column counts as a combination of the others when less than this share of its length is new.
COLLINEARITY_TOLERANCE = 1e-9


class ModelRefusedError(ValueError):
    """The data cannot answer the model; the message says what was found and how to mend it."""


@dataclass(frozen=True)
class RandomTerm:
    """One random term: effects of `columns` that vary between the groups named by `labels`.

    Attributes
    ----------
    name
        Name of the grouping factor, e.g. "athlete" or "visit in athlete".
    labels
        (n,) group label of each row.
    design
        (n, q) columns whose effects vary between groups.
    columns
        Names of the q columns.
    structure
        "unstructured" (variances and correlations) or "diagonal" (variances only).
    """

    name: str
    labels: Array
    design: Array
    columns: tuple[str, ...]
    structure: Structure = "unstructured"


@dataclass(frozen=True)
class MixedDesign:
    """Checked arrays of one model: what the estimator is allowed to assume.

    `codes` and `levels` number the groups of each random term and name them in sorted order;
    `strata` (n,) numbers the residual strata.
    """

    response: Array
    fixed: Array
    fixed_names: tuple[str, ...]
    random: tuple[RandomTerm, ...]
    codes: tuple[Array, ...]
    levels: tuple[Array, ...]
    strata: Array
    strata_names: tuple[str, ...]


def random_intercept(name: str, labels: ArrayLike) -> RandomTerm:
    """Return a random intercept per group, written (1 | name) in the usual notation."""
    codes = np.asarray(labels)
    return RandomTerm(name, codes, np.ones((codes.shape[0], 1)), ("(Intercept)",))


def random_slopes(
    name: str,
    labels: ArrayLike,
    slopes: ArrayLike,
    columns: Sequence[str],
    structure: Structure = "unstructured",
) -> RandomTerm:
    """Return a random intercept and slopes per group: (1 + x | name), or (1 + x || name).

    `slopes` is (n,) or (n, k); `columns` names its k columns; the intercept is added in front.
    """
    covariates = np.asarray(slopes, dtype=float)
    covariates = covariates[:, None] if covariates.ndim == 1 else covariates
    design = np.column_stack([np.ones(covariates.shape[0]), covariates])
    return RandomTerm(name, np.asarray(labels), design, ("(Intercept)", *columns), structure)


def nested_labels(outer: ArrayLike, inner: ArrayLike) -> Array:
    """Return one label per (outer, inner) pair, for an inner factor nested in an outer one.

    The pairs are numbered in sorted order, so visit "1" of two athletes gets two labels.
    """
    _, outer_codes = np.unique(np.asarray(outer), return_inverse=True)
    inner_levels, inner_codes = np.unique(np.asarray(inner), return_inverse=True)
    _, codes = np.unique(outer_codes * len(inner_levels) + inner_codes, return_inverse=True)
    return np.asarray(codes)


def checked_design(
    response: ArrayLike,
    fixed: ArrayLike,
    random: Sequence[RandomTerm],
    fixed_names: Sequence[str] | None,
    residual_strata: ArrayLike | None,
) -> MixedDesign:
    """Return the model's arrays, or raise ModelRefusedError where they cannot answer it."""
    outcome = np.asarray(response, dtype=float)
    columns = np.asarray(fixed, dtype=float)
    columns = columns[:, None] if columns.ndim == 1 else columns
    names = tuple(fixed_names) if fixed_names else tuple(f"x{j}" for j in range(columns.shape[1]))
    _refuse_shapes(outcome, columns, names, random)
    _refuse_not_finite(outcome, "the outcome")
    for j, name in enumerate(names):
        _refuse_not_finite(columns[:, j], f"fixed column '{name}'")
    _refuse_collinear(columns, names, "fixed effects")
    coded = [_coded_term(term) for term in random]
    _refuse_twin_terms(random, [codes for _, codes in coded])
    strata, strata_names = _coded_strata(residual_strata, outcome.shape[0])
    return MixedDesign(
        response=outcome,
        fixed=columns,
        fixed_names=names,
        random=tuple(random),
        codes=tuple(codes for _, codes in coded),
        levels=tuple(levels for levels, _ in coded),
        strata=strata,
        strata_names=strata_names,
    )


def missing_labels(labels: Array) -> Array:
    """Return (n,) True where a label is missing (None or NaN, which differs from itself)."""
    missing = np.asarray(labels != labels, dtype=bool)
    if labels.dtype == object:
        missing |= np.fromiter((label is None for label in labels), dtype=bool, count=len(labels))
    return missing


def _refuse_shapes(
    outcome: Array, columns: Array, names: tuple[str, ...], random: Sequence[RandomTerm]
) -> None:
    rows = outcome.shape[0]
    if outcome.ndim != 1 or columns.ndim != 2 or columns.shape[0] != rows:
        raise ModelRefusedError(
            f"outcome has shape {outcome.shape} and fixed columns {columns.shape}; "
            "expected (n,) and (n, p) with the same n"
        )
    if columns.shape[1] == 0 or len(names) != columns.shape[1]:
        raise ModelRefusedError(
            f"{len(names)} names for {columns.shape[1]} fixed columns; give one name per column, "
            "and at least one column (the intercept is not added by itself)"
        )
    if not random:
        raise ModelRefusedError("no random term: use ordinary least squares instead")
    if rows < columns.shape[1] + 2:
        raise ModelRefusedError(f"{rows} rows cannot carry {columns.shape[1]} fixed effects")
    for term in random:
        if term.labels.shape != (rows,) or term.design.shape != (rows, len(term.columns)):
            raise ModelRefusedError(
                f"random term '{term.name}': labels {term.labels.shape}, design "
                f"{term.design.shape}; expected ({rows},) and ({rows}, {len(term.columns)})"
            )


def _refuse_not_finite(values: Array, what: str) -> None:
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        raise ModelRefusedError(
            f"{what} has {bad.size} missing or infinite values, the first in row {bad[0]}; "
            "drop and report those rows, or impute them, before the fit"
        )


def _refuse_collinear(columns: Array, names: Sequence[str], what: str) -> None:
    lengths = np.linalg.norm(columns, axis=0)
    for j, name in enumerate(names):
        if lengths[j] == 0:
            raise ModelRefusedError(f"{what}: column '{name}' is zero in every row; leave it out")
    if len(names) == 1:
        return
    unit = columns / lengths
    new = np.abs(np.diag(np.linalg.qr(unit, mode="r")))
    for j in range(1, unit.shape[1]):
        if new[j] < COLLINEARITY_TOLERANCE:
            weights, *_ = np.linalg.lstsq(unit[:, :j], unit[:, j], rcond=None)
            partners = [names[k] for k in range(j) if abs(weights[k]) > 1e-6]
            raise ModelRefusedError(
                f"{what}: column '{names[j]}' is a combination of {partners} "
                "(constant or collinear); leave one of them out"
            )


def _coded_term(term: RandomTerm) -> tuple[Array, Array]:
    """Return the sorted group labels and the (n,) group numbers of a term fit for estimation."""
    if missing_labels(term.labels).any():
        raise ModelRefusedError(f"random term '{term.name}' has missing group labels")
    for j, name in enumerate(term.columns):
        _refuse_not_finite(term.design[:, j], f"random column '{name}' of '{term.name}'")
    _refuse_collinear(term.design, term.columns, f"random term '{term.name}'")
    rows = term.labels.shape[0]
    levels, codes = np.unique(term.labels, return_inverse=True)
    groups = levels.size
    if groups < 2:
        raise ModelRefusedError(
            f"random term '{term.name}' has {groups} group; a variance between groups needs at "
            "least two: leave the term out"
        )
    if groups * len(term.columns) >= rows:
        raise ModelRefusedError(
            f"random term '{term.name}' has {groups} groups with {len(term.columns)} effects each "
            f"but only {rows} rows: its variance cannot be told from the residual (for an "
            "intercept: every group has one row); leave the term out or add repeats"
        )
    return levels, codes


def _refuse_twin_terms(random: Sequence[RandomTerm], codes: Sequence[Array]) -> None:
    """Refuse two terms that group the rows alike and share an effect: only its sum is known."""
    for j, second in enumerate(random):
        for i in range(j):
            first = random[i]
            groups = int(codes[i].max()) + 1
            if groups != codes[j].max() + 1:
                continue
            if np.unique(codes[i] * groups + codes[j]).size != groups:
                continue
            both = np.column_stack([first.design, second.design])
            if np.linalg.matrix_rank(both) < both.shape[1]:
                raise ModelRefusedError(
                    f"random terms '{first.name}' and '{second.name}' group the rows alike (for a "
                    "visit in an athlete: one visit each), so their variances cannot be told "
                    "apart; leave one of them out"
                )


def _coded_strata(residual_strata: ArrayLike | None, rows: int) -> tuple[Array, tuple[str, ...]]:
    if residual_strata is None:
        return np.zeros(rows, dtype=int), ("all",)
    labels = np.asarray(residual_strata)
    if labels.shape != (rows,) or missing_labels(labels).any():
        raise ModelRefusedError("residual strata: give one label per row, none missing")
    levels, codes = np.unique(labels, return_inverse=True)
    counts = np.bincount(codes)
    if len(levels) < 2 or counts.min() < 3:
        found = dict(zip(levels.tolist(), counts.tolist(), strict=True))
        raise ModelRefusedError(
            f"residual strata have counts {found}; separate residual variances need at least two "
            "strata with at least 3 rows each"
        )
    return codes, tuple(str(level) for level in levels)
