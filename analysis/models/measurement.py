"""What the trials of a study say about the error of its predictors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.mixed import ModelRefusedError
from analysis.models.cox_design import CoxDesign
from analysis.models.measurement_error import (
    ErrorModel,
    Level,
    error_covariance,
    residual_covariance,
)
from analysis.models.reliability import (
    Components,
    error_correlation,
    mean_inverse_trials,
    predictor_trials,
    variance_components,
)
from analysis.models.trial_design import indicator_columns

LEVELS: tuple[Level, ...] = ("trial", "visit")


class Measurement:
    """What the trials of some predictors say about their error.

    Attributes
    ----------
    names : predictors, in order
    components : variance components of each
    correlation : of the errors, per level

    Raises
    ------
    ModelRefusedError
        A predictor has too few athletes or trials; the message names it.
    """

    def __init__(
        self,
        metrics: pd.DataFrame,
        cohort: pd.DataFrame,
        predictors: Sequence[Mapping[str, Any]],
        covariates: Sequence[Mapping[str, Any]],
        clearance_visit: str,
    ):
        self.names = [predictor["name"] for predictor in predictors]
        trials = {
            predictor["name"]: predictor_trials(metrics, cohort, predictor, covariates)
            for predictor in predictors
        }
        self.components: dict[str, Components] = {
            name: _components(name, rows, covariates, clearance_visit)
            for name, rows in trials.items()
        }
        self.correlation = {level: error_correlation(trials, level) for level in LEVELS}

    def error_model(self, design: CoxDesign, level: Level) -> ErrorModel:
        """Return measured and error covariance of a design's predictors, in its steps (SD).

        Raises
        ------
        ModelRefusedError
            The level needs athletes with two visits and there are none.
        """
        count = design.n_predictors
        scales = np.array([term.scale for term in design.terms[:count]])
        variances = [
            self.components[name].error(level, mean_inverse_trials(design.rows, name))
            for name in self.names
        ]
        measured, df = residual_covariance(design.matrix[:, :count], given_columns(design))
        return ErrorModel(
            measured=measured,
            error=error_covariance(np.array(variances) / scales**2, self.correlation[level]),
            measured_df=df,
            error_df=min(self.components[name].error_df(level) for name in self.names),
            marginal=design.matrix[:, :count].var(axis=0, ddof=1),
        )


def _components(
    name: str,
    trials: pd.DataFrame,
    covariates: Sequence[Mapping[str, Any]],
    clearance_visit: str,
) -> Components:
    try:
        return variance_components(trials, covariates, clearance_visit)
    except ModelRefusedError as error:
        raise ModelRefusedError(f"{name}: {error}") from error


def given_columns(design: CoxDesign) -> NDArray[np.float64]:
    """Return (n, q) intercept, strata and covariates of a design."""
    strata = indicator_columns(pd.Series(design.strata, name="stratum"))
    covariates = design.matrix[:, design.n_predictors :]
    return np.column_stack([np.ones(len(design.rows)), *strata.values(), covariates])
