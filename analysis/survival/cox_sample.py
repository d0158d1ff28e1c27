"""The checked data of a Cox model with its risk sets: the input of every Cox estimator."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.survival.checks import (
    Booleans,
    Floats,
    Integers,
    case_weights,
    covariate_matrix,
    follow_up,
    group_codes,
)
from analysis.survival.cox_risk_sets import RiskSets, build_risk_sets
from analysis.survival.errors import SurvivalDataError

Ties = Literal["efron", "breslow"]

# Spread, relative to the mean, below which a covariate varies by rounding only.
ROUNDING = 1e-14


@dataclass(frozen=True, eq=False)
class CoxSample:
    """Rows of a Cox model; build it with :func:`cox_sample`.

    Attributes
    ----------
    covariates : (n, p) in the caller's units; ``names`` their p names
    start, stop, event, weights : (n,) columns; ``start`` None without late entry
    strata : (n,) codes into ``stratum_labels``, None for one stratum
    risk_sets : who is at risk when
    centre, scale : (p,) weighted mean and mean absolute deviation of each covariate
    """

    covariates: Floats
    names: tuple[str, ...]
    start: Floats | None
    stop: Floats
    event: Booleans
    weights: Floats
    strata: Integers | None
    stratum_labels: NDArray
    risk_sets: RiskSets
    centre: Floats
    scale: Floats

    @property
    def n(self) -> int:
        """Number of rows."""
        return self.stop.size

    @property
    def n_events(self) -> int:
        """Number of rows that end with an event."""
        return self.risk_sets.deaths.size

    @cached_property
    def standardised(self) -> Floats:
        """Covariates of the rows ever at risk, centred and scaled, in risk-set order (m, p)."""
        return (self.covariates[self.risk_sets.rows] - self.centre) / self.scale

    @cached_property
    def with_constant(self) -> Floats:
        """A column of ones before the standardised covariates (m, 1 + p)."""
        return np.column_stack([np.ones(self.standardised.shape[0]), self.standardised])

    @cached_property
    def sorted_weights(self) -> Floats:
        """Case weights in risk-set order (m,)."""
        return self.weights[self.risk_sets.rows]

    @cached_property
    def death_weights(self) -> Floats:
        """Case weight of each death (E,)."""
        return self.sorted_weights[self.risk_sets.deaths]

    @cached_property
    def step_weights(self) -> Floats:
        """Mean case weight of the deaths tied with each death (E,)."""
        sets = self.risk_sets
        if not sets.tied:
            return self.death_weights
        mean = sets.sum_of_deaths(self.death_weights) / sets.death_counts
        return mean[sets.death_sets]

    def tie_fractions(self, ties: Ties) -> Floats | None:
        """Share of the tied deaths that each step takes out of the risk set; None if none."""
        sets = self.risk_sets
        if ties == "breslow" or not sets.tied:
            return None
        return sets.death_rank / sets.death_counts[sets.death_sets]


def cox_sample(
    covariates: ArrayLike,
    stop: ArrayLike,
    event: ArrayLike,
    *,
    start: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    names: Sequence[str] | None = None,
) -> CoxSample:
    """Check the columns of a Cox model and index its risk sets.

    Parameters
    ----------
    covariates : (n, p) matrix (or (n,) for a single covariate)
    stop : (n,) time of event or end of observation, same unit as ``start``
    event : (n,) 1 if the row ends with the event, else 0
    start : (n,) time at which the row comes under observation (left truncation, time-varying
        covariates); the row is at risk in ``(start, stop]``
    strata : (n,) labels; each has its own baseline hazard
    weights : (n,) positive case weights
    names : p covariate names used in messages and results

    Raises
    ------
    SurvivalDataError : missing or infinite value, negative time, entry not before exit,
        non-positive weight, or no event at all
    """
    start_time, stop_time, happened = follow_up(stop, event, start)
    matrix, labels = covariate_matrix(covariates, stop_time.size, names)
    weight = case_weights(weights, stop_time.size)
    if not happened.any():
        raise SurvivalDataError(
            f"event: none of the {stop_time.size} rows ends with an event; "
            "a hazard model needs at least one"
        )
    codes: Integers | None = None
    stratum_labels: NDArray = np.array(["all"])
    if strata is not None:
        stratum_labels, codes = group_codes(strata, stop_time.size, "strata")
    centre, scale = _centre_and_scale(matrix, weight)
    return CoxSample(
        covariates=matrix,
        names=labels,
        start=start_time,
        stop=stop_time,
        event=happened,
        weights=weight,
        strata=codes,
        stratum_labels=stratum_labels,
        risk_sets=build_risk_sets(start_time, stop_time, happened, codes),
        centre=centre,
        scale=scale,
    )


def with_covariates(sample: CoxSample, covariates: ArrayLike, names: Sequence[str]) -> CoxSample:
    """Return the same rows, times and risk sets with other covariates (n, p).

    Raises
    ------
    SurvivalDataError : a covariate is missing or infinite
    """
    matrix, labels = covariate_matrix(covariates, sample.n, names)
    centre, scale = _centre_and_scale(matrix, sample.weights)
    return replace(sample, covariates=matrix, names=labels, centre=centre, scale=scale)


def _centre_and_scale(matrix: Floats, weight: Floats) -> tuple[Floats, Floats]:
    centre = weight @ matrix / weight.sum()
    scale = weight @ np.abs(matrix - centre) / weight.sum()
    varies = scale > ROUNDING * np.abs(centre)
    return centre, np.where(varies, scale, 1.0)
