"""What a validation needs to know of a model: how it is built, and how its predictions are judged.

A builder repeats the whole of model building: choice of predictors, knots, penalties, imputation,
everything that looked at the data. What stays outside is not corrected for. Rows are positions
(from 0) in data that only the builder and the measures know, so any kind of table serves.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from analysis.survival.checks import Floats, Integers, group_codes
from analysis.survival.errors import SurvivalDataError

# Predictions for the rows at some positions: (k,) of one model, (k, m) of several built together.
Predictor = Callable[[Integers], Floats]
# Builds a predictor from rows of predictors and, paired with them, rows of outcomes. The two are
# the same positions except under a permutation.
Builder = Callable[[Integers, Integers], Predictor]
# Performance of predictions, given the positions of the outcomes that they are for.
Measure = Callable[[Floats, Integers], float]
# Several measures at once, by name, where they share work or compare models.
Judge = Callable[[Floats, Integers], Mapping[str, float]]


def judge_of(measures: Mapping[str, Measure]) -> Judge:
    """Return single measures as one judge."""
    return lambda predictions, outcomes: {
        name: measure(predictions, outcomes) for name, measure in measures.items()
    }


def performance(
    predict: Predictor, judge: Judge, predictors: Integers, outcomes: Integers
) -> dict[str, float]:
    """Return the performance of one model in one group, by measure.

    Raises
    ------
    SurvivalDataError : a prediction or a measure is not finite, or there are not as many
        predictions as rows
    """
    predictions = np.asarray(predict(predictors), dtype=np.float64)
    if predictions.shape[:1] != predictors.shape or not np.isfinite(predictions).all():
        raise SurvivalDataError(
            f"predict: expected {predictors.size} finite predictions, found shape "
            f"{predictions.shape} with {int((~np.isfinite(predictions)).sum())} not finite"
        )
    values = judge(predictions, outcomes)
    for name, value in values.items():
        if not np.isfinite(value):
            raise SurvivalDataError(f"measure {name!r}: expected a finite number, found {value}")
    return {name: float(value) for name, value in values.items()}


def clusters_of(groups: NDArray | None, rows: int) -> list[Integers]:
    """Return the positions of each cluster, in the order of the labels; single rows without."""
    if rows < 2:
        raise SurvivalDataError(f"rows: expected at least two, found {rows}")
    if groups is None:
        return [np.array([k], dtype=np.intp) for k in range(rows)]
    labels, codes = group_codes(groups, rows, "groups")
    if labels.size < 2:
        raise SurvivalDataError("groups: expected at least two different labels, found one")
    return [np.flatnonzero(codes == k).astype(np.intp) for k in range(labels.size)]
