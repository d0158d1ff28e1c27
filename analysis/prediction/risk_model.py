"""Absolute risk by a horizon from two cause-specific Cox models: of the event, and of other ends.

The whole of model building is one function of the rows it may see: which columns vary, their
scale, the weight of the ridge penalty, coefficients, baselines. It can so be repeated in every
resample and without every site. Nothing here names or keeps the risk of one athlete.

Sources: Benichou & Gail 1990 (absolute risk from cause-specific hazards); Breslow 1974 (baseline);
Verweij & van Houwelingen 1994 (penalty and its choice).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.survival.checks import Floats, Integers
from analysis.survival.cox import fit_cox
from analysis.survival.cox_sample import Ties, cox_sample
from analysis.survival.errors import SurvivalDataError
from analysis.survival.ridge import best_ridge

# Rows times event times that are held at once: bounds the memory.
BLOCK = 2_000_000

RiskModel = Callable[[Floats], Floats]
"""Risk of the event by the horizon (k,) for rows of covariates (k, p)."""


@dataclass(frozen=True, eq=False)
class CauseHazard:
    """Cause-specific hazard of one kind of end.

    Attributes
    ----------
    coefficients : (p,) per unit of each column; 0 for a column that did not vary
    times, steps : (T,) times of the ends, and the baseline hazard at the mean of the columns
    centre : (p,) that mean
    penalty : weight of the ridge penalty that was chosen, 0 without
    """

    coefficients: Floats
    centre: Floats
    times: Floats
    steps: Floats
    penalty: float

    def relative(self, matrix: Floats) -> Floats:
        """Return the hazard of each row relative to the baseline (k,)."""
        return np.exp((matrix - self.centre) @ self.coefficients)


def fit_cause(
    matrix: Floats, stop: Floats, happened: Floats, penalties: Sequence[float], ties: Ties
) -> CauseHazard:
    """Fit the hazard of one kind of end; without penalties by the plain partial likelihood.

    Raises
    ------
    SurvivalDataError : no such end, no column varies, or a coefficient has no finite estimate
    """
    varies = np.ptp(matrix, axis=0) > 0
    if not varies.any():
        raise SurvivalDataError("covariates: none of them varies, so there is nothing to model")
    sample = cox_sample(matrix[:, varies], stop, happened)
    coefficients, penalty = np.zeros(varies.size), 0.0
    if penalties:
        ridge = best_ridge(sample, penalties, ties=ties)
        coefficients[varies], penalty, finite = ridge.coefficients, ridge.penalty, ridge.converged
    else:
        fit = fit_cox(sample, ties=ties)
        coefficients[varies], finite = fit.coefficients, fit.converged and not fit.monotone
    if not finite:
        raise SurvivalDataError(
            "covariates: a coefficient has no finite estimate (its column separates those with "
            "the event from all others); take fewer columns, or a penalty"
        )
    centre = matrix.mean(axis=0)
    times, steps = _baseline(np.exp((matrix - centre) @ coefficients), stop, happened)
    return CauseHazard(coefficients, centre, times, steps, penalty)


def _baseline(relative: Floats, stop: Floats, happened: Floats) -> tuple[Floats, Floats]:
    """Return event times and Breslow's hazard steps: events over the summed relative hazards."""
    order = np.argsort(stop, kind="stable")
    at_risk = np.cumsum(relative[order][::-1])[::-1]
    times, ends = np.unique(stop[happened > 0], return_counts=True)
    return times, ends / at_risk[np.searchsorted(stop[order], times)]


def build_risk_model(
    matrix: Floats,
    stop: Floats,
    cause: Integers,
    *,
    horizon: float,
    penalties: Sequence[float],
    ties: Ties = "efron",
) -> RiskModel:
    """Build the risk of cause 1 by the horizon; other causes are one competing end.

    Parameters
    ----------
    matrix : (n, p) covariates
    stop, cause : (n,) follow-up; 0 censored, 1 the event, 2 a competing end
    penalties : weights of the ridge penalty to choose from by Akaike's criterion; none = no penalty

    Raises
    ------
    SurvivalDataError : as for :func:`fit_cause`
    """
    event = fit_cause(matrix, stop, (cause == 1).astype(float), penalties, ties)
    hazards = [event]
    if (cause == 2).any():
        hazards.append(fit_cause(matrix, stop, (cause == 2).astype(float), penalties, ties))
    times = np.unique(np.concatenate([part.times for part in hazards]))
    times = times[times <= horizon]
    steps = [_steps_at(part, times) for part in hazards]

    def risk(rows: Floats) -> Floats:
        height = max(1, BLOCK // max(1, times.size))
        parts = [block_risk(rows[at : at + height]) for at in range(0, len(rows), height)]
        return np.concatenate(parts)

    def block_risk(rows: Floats) -> Floats:
        own = event.relative(rows)[:, None] * steps[0]
        every = own.copy()
        for part, step in zip(hazards[1:], steps[1:], strict=True):
            every += part.relative(rows)[:, None] * step
        free_before = np.exp(-(np.cumsum(every, axis=1) - every))
        share = np.divide(own, every, out=np.zeros_like(own), where=every > 0)
        return (free_before * -np.expm1(-every) * share).sum(axis=1)

    return risk


def _steps_at(hazard: CauseHazard, times: Floats) -> Floats:
    steps = np.zeros(times.size)
    own = hazard.times <= (times[-1] if times.size else -np.inf)
    steps[np.searchsorted(times, hazard.times[own])] = hazard.steps[own]
    return steps
