"""Test of proportional hazards: the score test for coefficients that change with time.

This is the exact score test for adding ``g(t) * covariate`` to the model (Grambsch & Therneau
1994; `cox.zph` in survival >= 3.0 for R), not the older approximation that takes the information
as the same at every event time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.survival.checks import Floats
from analysis.survival.cox import CoxFit
from analysis.survival.cox_likelihood import PartialLikelihood, hazard_exposure
from analysis.survival.cox_residuals import likelihood_at_fit
from analysis.survival.cox_sample import CoxSample
from analysis.survival.errors import NotIdentifiableError
from analysis.survival.event_table import event_table, step_value
from analysis.survival.linear import ChiSquareTest, dependent_column

TimeTransform = Literal["km", "rank", "identity", "log"]


@dataclass(frozen=True)
class ProportionalHazardsTest:
    """Tests per covariate and of all at once, for the named transform of time."""

    transform: TimeTransform
    names: tuple[str, ...]
    per_covariate: tuple[ChiSquareTest, ...]
    overall: ChiSquareTest


def proportional_hazards_test(
    sample: CoxSample, fit: CoxFit, transform: TimeTransform = "km"
) -> ProportionalHazardsTest:
    """Test whether the log hazard ratios change along ``g(t)``.

    Parameters
    ----------
    transform : ``km`` (1 - Kaplan-Meier just before t, pooled over strata), ``rank``
        (among the exit times of all rows), ``identity`` or ``log`` of the event time

    Raises
    ------
    NotIdentifiableError : all events at one time, too few for a change of every ratio, or a
        monotone likelihood
    """
    at = likelihood_at_fit(sample, fit)
    g = event_time_transform(sample, transform)
    if np.ptp(g) == 0:
        raise NotIdentifiableError(
            f"all {sample.n_events} events at one time (of the transform {transform}): whether a "
            "hazard ratio changes with time cannot be seen"
        )
    if fit.monotone:
        raise NotIdentifiableError(
            f"covariates {', '.join(fit.diverging)} separate the events from the others: an "
            "infinite hazard ratio has no change with time"
        )
    # The statistic does not depend on the unit of g; the check for information does.
    g = (g - g.mean()) / np.ptp(g)
    p = len(sample.names)
    departure = sample.standardised[sample.risk_sets.deaths] - at.means
    score = np.concatenate([np.zeros(p), (sample.step_weights * g) @ departure])
    cross = _information(sample, at, fit, g)
    full = np.block([[at.information, cross], [cross, _information(sample, at, fit, g**2)]])
    without, _ = dependent_column(full)
    if without is not None:
        raise NotIdentifiableError(
            f"{sample.n_events} events carry no information about a change with time of the hazard "
            f"ratio of {sample.names[without % p]!r} beside the other covariates"
        )
    model = list(range(p))
    return ProportionalHazardsTest(
        transform=transform,
        names=sample.names,
        per_covariate=tuple(_test(score, full, [*model, p + k], 1) for k in range(p)),
        overall=_test(score, full, list(range(2 * p)), p),
    )


def event_time_transform(sample: CoxSample, transform: TimeTransform) -> Floats:
    """Return g(t) of each death (E,), in the order of the sample's deaths."""
    sets = sample.risk_sets
    times = sets.times[sets.death_sets]
    if transform == "identity":
        return times
    if transform == "log":
        return np.log(times)
    if transform == "rank":
        from scipy.stats import rankdata

        return rankdata(sample.stop)[sets.rows[sets.deaths]]
    if transform == "km":
        table = event_table(sample.start, sample.stop, sample.event)
        survival = np.cumprod(1 - table.events / table.at_risk)
        before = np.concatenate([[1.0], survival[:-1]])
        return 1 - step_value(table.times, before, times, 1.0)
    raise ValueError(f"transform: expected km, rank, identity or log, found {transform!r}")


def _information(sample: CoxSample, at: PartialLikelihood, fit: CoxFit, factor: Floats) -> Floats:
    """Sum the covariance of the covariates at risk over the steps, times a factor per step."""
    X = sample.standardised
    exposure = hazard_exposure(sample, at.hazards * factor, sample.tie_fractions(fit.ties))
    weights = sample.step_weights * factor
    return (X * (at.risk * exposure)[:, None]).T @ X - (at.means * weights[:, None]).T @ at.means


def _test(score: Floats, information: Floats, use: list[int], df: int) -> ChiSquareTest:
    part = score[use]
    solved = np.linalg.solve(information[np.ix_(use, use)], part)
    return ChiSquareTest.of(float(part @ solved), df)
