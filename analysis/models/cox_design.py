"""The data of one Cox model: standardised predictors, covariates, strata, complete rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.analysis_set import complete_rows, events_of
from analysis.models.variables import Variable, predictor_variable
from analysis.survival.errors import SurvivalDataError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Term:
    """One coefficient of a model; `scale` = size of one step in the column's unit."""

    name: str
    scale: float
    unit: str
    variable: Variable
    is_predictor: bool


@dataclass(frozen=True)
class CoxDesign:
    """Rows of one model.

    Attributes
    ----------
    terms : p coefficients, predictors first
    matrix : (n, p) columns divided by the scale of their term, predictors centred
    time, event : (n,) days since clearance; True where the outcome ended the observation
    strata : (n,) label of the stratum
    rows : (n) athletes of the cohort in the model
    dropped : athletes left out because a value is missing
    label : '' or the one predictor that names the model; goes before its other terms in addresses
    """

    terms: tuple[Term, ...]
    matrix: Array
    time: Array
    event: NDArray[np.bool_]
    strata: NDArray[np.object_]
    rows: pd.DataFrame
    dropped: int
    label: str = ""

    def address(self, term: str) -> tuple[str, ...]:
        """Return a term as it stands in addresses: behind the label of the model, if it has one."""
        return (term,) if self.label in ("", term) else (self.label, term)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the terms."""
        return tuple(term.name for term in self.terms)

    @property
    def n_predictors(self) -> int:
        """Number of terms that are predictors; they come first."""
        return sum(term.is_predictor for term in self.terms)

    @property
    def n_events(self) -> int:
        """Number of events in the model."""
        return int(self.event.sum())


def _predictor(
    rows: pd.DataFrame, predictor: dict[str, Any], scales: Mapping[str, float]
) -> tuple[Term, Array]:
    variable = predictor_variable(predictor)
    values = rows[variable.column].to_numpy(dtype=float)
    scale = scales.get(variable.name, float(values.std(ddof=1)))
    term = Term(variable.name, scale, "per SD", variable, True)
    return term, (values - values.mean()) / scale


def _covariate(rows: pd.DataFrame, covariate: Mapping[str, Any]) -> list[tuple[Term, Array]]:
    column, reference = covariate["column"], covariate["reference"]
    if reference is None:
        per = float(covariate["per"])
        variable = Variable(column, column)
        unit = f"per {per:g}" if per != 1 else "per unit"
        return [(Term(column, per, unit, variable, False), rows[column].to_numpy(float) / per)]
    columns = []
    for level in sorted(set(rows[column]) - {reference}):
        name = f"{column}_{level}"
        variable = Variable(name, column, is_category=True)
        term = Term(name, 1.0, f"{level} against {reference}", variable, False)
        columns.append((term, (rows[column] == level).to_numpy(float)))
    return columns


def stratum_labels(rows: pd.DataFrame, strata: Sequence[str]) -> NDArray[np.object_]:
    """Return (n,) one label per row: the values of the columns joined, 'all' without strata."""
    if not strata:
        return np.full(len(rows), "all", dtype=object)
    labels = rows[strata[0]].astype(str)
    for column in strata[1:]:
        labels = labels + " / " + rows[column].astype(str)
    return labels.to_numpy(dtype=object)


def _refuse_empty(rows: pd.DataFrame, predictors: Sequence[dict[str, Any]]) -> None:
    if len(rows) < 2:
        raise SurvivalDataError(
            "fewer than two athletes have all predictors and covariates of the model"
        )
    for predictor in predictors:
        if rows[predictor["name"]].nunique() < 2:
            raise SurvivalDataError(f"{predictor['name']} has the same value in every athlete")


def cox_design(
    cohort: pd.DataFrame,
    predictors: Sequence[dict[str, Any]],
    plan: Mapping[str, Any],
    events: Sequence[str],
    label: str = "",
    scales: Mapping[str, float] | None = None,
) -> CoxDesign:
    """Return the rows and columns of a cause-specific model.

    Athletes with a missing predictor, covariate or stratum are left out and counted. A predictor
    is standardised by its SD (n - 1) among the athletes in the model, unless `scales` names one.

    Parameters
    ----------
    cohort
        Athletes of the landmark cohort.
    events
        What counts as the event; every other end censors.
    scales
        Predictor -> the SD to divide it by, so that models of other athletes share its step.

    Raises
    ------
    SurvivalDataError
        Fewer than two complete athletes, or a predictor that does not vary among them.
    """
    cox = plan["cox"]
    needed = [
        *(predictor["name"] for predictor in predictors),
        *(covariate["column"] for covariate in cox["covariates"]),
        *cox["strata"],
        "followup_days",
    ]
    complete = complete_rows(cohort, needed)
    rows = complete.rows
    _refuse_empty(rows, predictors)
    columns = [_predictor(rows, predictor, scales or {}) for predictor in predictors]
    for covariate in cox["covariates"]:
        columns.extend(_covariate(rows, covariate))
    return CoxDesign(
        terms=tuple(term for term, _ in columns),
        matrix=np.column_stack([values for _, values in columns]),
        time=rows["followup_days"].to_numpy(dtype=float),
        event=events_of(rows, events),
        strata=stratum_labels(rows, cox["strata"]),
        rows=rows,
        dropped=complete.dropped,
        label=label,
    )
