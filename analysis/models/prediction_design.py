"""The data of the prediction models: complete athletes, columns, outcome at the horizon."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.analysis_set import complete_rows, events_of
from analysis.prediction.added_value import Outcome
from analysis.prediction.model_building import Builder
from analysis.prediction.risk_model import build_risk_model
from analysis.survival.errors import SurvivalDataError

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PredictionDesign:
    """Rows of the prediction models.

    Attributes
    ----------
    reference : (n, p0) columns of the covariates, a category as one column per other level
    with_metrics : (n, p) the same, then the metrics
    follow_up_days : (n,) as observed; in `outcome`, who was free of the event up to the horizon is
        observed beyond it
    sites : (n,) label
    dropped : athletes left out because a value is missing
    """

    reference: Array
    with_metrics: Array
    outcome: Outcome
    follow_up_days: Array
    sites: NDArray[np.str_]
    dropped: int

    @property
    def n(self) -> int:
        """Number of athletes."""
        return len(self.sites)

    @property
    def n_events(self) -> int:
        """Events of interest by the horizon."""
        return int(self.is_event.sum())

    @property
    def is_event(self) -> NDArray[np.bool_]:
        """(n,) True with the event of interest by the horizon."""
        return (self.outcome.cause == 1) & (self.outcome.stop <= self.outcome.horizon)

    @property
    def parameters(self) -> int:
        """Candidate parameters of the model with the metrics."""
        return self.with_metrics.shape[1]

    def builder(self, penalties: list[float]) -> Builder:
        """Return what builds both models from the same rows; its predictions are (k, 2)."""
        parts = (self.reference, self.with_metrics)

        def build(predictors: NDArray[np.intp], outcomes: NDArray[np.intp]) -> Any:
            there = self.outcome.of(outcomes)
            models = [
                build_risk_model(
                    part[predictors],
                    there.stop,
                    there.cause,
                    horizon=there.horizon,
                    penalties=penalties,
                )
                for part in parts
            ]
            return lambda rows: np.column_stack(
                [model(part[rows]) for model, part in zip(models, parts, strict=True)]
            )

        return build


def _columns(rows: pd.DataFrame, covariate: Mapping[str, Any]) -> list[Array]:
    column, reference = covariate["column"], covariate["reference"]
    if reference is None:
        return [rows[column].to_numpy(dtype=float) / float(covariate["per"])]
    levels = sorted(set(rows[column].astype(str)) - {reference})
    return [(rows[column].astype(str) == level).to_numpy(dtype=float) for level in levels]


def prediction_design(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> PredictionDesign:
    """Return the rows and columns of the models that the plan asks for.

    Athletes with a missing metric, covariate or site are left out and counted.

    Raises
    ------
    SurvivalDataError
        Fewer than two complete athletes, a covariate that the cohort does not hold, a metric or
        covariate that does not vary, or no event by the horizon.
    """
    chosen = plan["prediction"]
    covariates, metrics = chosen["covariates"], chosen["metrics"]
    names = [covariate["column"] for covariate in covariates]
    unknown = [name for name in names if name not in cohort.columns]
    if unknown:
        raise SurvivalDataError(f"the cohort has no column {unknown[0]!r} (prediction.covariates)")
    complete = complete_rows(cohort, [*metrics, *names, "site", "followup_days"])
    rows = complete.rows
    if len(rows) < 2:
        raise SurvivalDataError(
            "fewer than two athletes have all metrics and covariates of the prediction model"
        )
    for name in [*names, *metrics]:
        if rows[name].nunique() < 2:
            raise SurvivalDataError(
                f"{name} has the same value in every athlete, so it predicts nothing; take it out "
                "of the plan's prediction"
            )
    reference = np.column_stack([part for each in covariates for part in _columns(rows, each)])
    measured = rows[metrics].to_numpy(dtype=float)
    outcome = _outcome(rows, plan)
    design = PredictionDesign(
        reference=reference,
        with_metrics=np.column_stack([reference, measured]),
        outcome=outcome,
        follow_up_days=rows["followup_days"].to_numpy(dtype=float),
        sites=rows["site"].to_numpy(dtype=str),
        dropped=complete.dropped,
    )
    if design.n_events == 0:
        raise SurvivalDataError(
            f"no athlete had the event by the horizon of {outcome.horizon:g} days, so no "
            "prediction can be built or judged"
        )
    return design


def _outcome(rows: pd.DataFrame, plan: Mapping[str, Any]) -> Outcome:
    chosen = plan["prediction"]
    horizon = float(chosen["horizon_days"])
    stop = rows["followup_days"].to_numpy(dtype=float)
    happened = events_of(rows, plan["outcomes"][chosen["outcome"]]["events"])
    other = (rows["cause"] > 0).to_numpy() & ~happened
    cause = np.where(happened, 1, np.where(other, 2, 0)).astype(np.intp)
    # Follow-up was cut at the plan's horizon: who reached that day without an event is known to be
    # free of it, and stands for the athletes observed beyond.
    reached = (cause == 0) & (stop >= horizon)
    return Outcome(np.where(reached, stop + 1.0, stop), cause, horizon)
