"""Variance components of a predictor from its trials, and the error of an athlete's mean.

value = covariates + site + visit (fixed) + athlete + visit in athlete + trial (random), REML.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort.predictors import TRIALS_SUFFIX, matches
from analysis.mixed import MixedFit, ModelRefusedError, fit_mixed, random_intercept
from analysis.models.measurement_error import Level, within_correlation
from analysis.models.trial_design import (
    ATHLETE,
    VISIT,
    fixed_columns,
    repeated_athletes,
    visit_term,
    with_people,
)

Array = NDArray[Any]

TRIAL_KEYS = ["athlete_id", "visit", "task", "side", "trial"]


@dataclass(frozen=True)
class Components:
    """Variances of one predictor between athletes, visits of an athlete, and trials of a visit.

    `visit` is None where no athlete was measured at two visits: it is then part of `athlete`.
    """

    athlete: float
    visit: float | None
    trial: float
    n_athletes: int
    n_repeated: int
    n_trials: int
    converged: bool
    singular: bool

    def error(self, level: Level, mean_inverse_trials: float) -> float:
        """Return the error variance of an athlete's mean.

        Parameters
        ----------
        level
            What the true value is: that of the visit ("trial" error only) or the habitual one.
        mean_inverse_trials
            Mean over athletes of 1 / number of trials.
        """
        visit = 0.0 if level == "trial" else self._visit()
        return visit + self.trial * mean_inverse_trials

    def reliability(self, level: Level, mean_inverse_trials: float) -> float:
        """Return the share of true variance, given the fixed columns of the model."""
        total = self.athlete + (self.visit or 0.0) + self.trial * mean_inverse_trials
        return 1 - self.error(level, mean_inverse_trials) / total

    def error_df(self, level: Level) -> float:
        """Return the degrees of freedom with which the error variance is known (the least)."""
        if level == "visit":
            return float(max(self.n_repeated - 1, 1))
        return float(max(self.n_trials - self.n_athletes - self.n_repeated, 1))

    def _visit(self) -> float:
        if self.visit is None:
            raise ModelRefusedError("no athlete was measured at two visits")
        return self.visit


def predictor_trials(
    metrics: pd.DataFrame,
    cohort: pd.DataFrame,
    predictor: Mapping[str, Any],
    covariates: Sequence[Mapping[str, Any]],
) -> pd.DataFrame:
    """Return the valid trials of a predictor, all visits, of athletes with one operated knee.

    With both knees operated an athlete has two involved limbs; their trials would count as one
    limb's and are left out of the variance components.
    """
    names = [covariate["column"] for covariate in covariates]
    rows = with_people(metrics.loc[matches(metrics, predictor)], cohort, names)
    one_limb = (rows["injured_side"] != "both") | (predictor["limb"] == "both")
    return rows.loc[one_limb & rows[names].notna().all(axis=1)].reset_index(drop=True)


def variance_components(
    trials: pd.DataFrame, covariates: Sequence[Mapping[str, Any]], clearance_visit: str
) -> Components:
    """Fit the variance components of one predictor by REML.

    Raises
    ------
    ModelRefusedError
        Too few athletes or trials.
    """
    columns = fixed_columns(trials, covariates, clearance_visit)
    fit = fit_mixed(
        trials["value"].to_numpy(dtype=float),
        np.column_stack(list(columns.values())),
        [random_intercept(ATHLETE, trials["athlete_id"].to_numpy()), *visit_term(trials)],
        fixed_names=list(columns),
    )
    repeated = repeated_athletes(trials)
    return Components(
        athlete=_variance(fit, ATHLETE),
        visit=_variance(fit, VISIT) if repeated else None,
        trial=fit.sigma**2,
        n_athletes=int(trials["athlete_id"].nunique()),
        n_repeated=repeated,
        n_trials=len(trials),
        converged=fit.converged,
        singular=fit.singular,
    )


def _variance(fit: MixedFit, term: str) -> float:
    return float(fit.component(term).covariance[0, 0])


def mean_inverse_trials(rows: pd.DataFrame, predictor: str) -> float:
    """Return the mean over the athletes with a value of 1 / trials behind it.

    A value that was filled in is drawn like a mean of as many trials.
    """
    trials = rows[predictor + TRIALS_SUFFIX]
    return float((1 / trials[trials > 0]).mean())


def error_correlation(trials: Mapping[str, pd.DataFrame], level: Level) -> Array:
    """Return (p, p) correlations between the errors of several predictors.

    Trial errors correlate only between predictors of the same trials; what changes from visit to
    visit is read from the means of athletes with two visits, the mean change taken out.
    """
    values = pd.concat(
        {
            name: rows.groupby(TRIAL_KEYS, sort=True)["value"].mean()
            for name, rows in trials.items()
        },
        axis=1,
    )
    by_visit = values.groupby(level=["athlete_id", "visit"], sort=True)
    if level == "trial":
        groups = by_visit.ngroup().to_numpy()
        return within_correlation(values.to_numpy(), groups)
    means = by_visit.mean()
    centred = means - means.groupby(level="visit").transform("mean")
    return within_correlation(centred.to_numpy(), centred.index.get_level_values("athlete_id"))
