"""Cox partial likelihood, its score and its information, for Breslow and Efron ties.

Efron's method takes d tied deaths one after the other: at step l the risk set has lost the
share l/d of the tied deaths. Breslow's method is the same with the share 0, so both are one
computation over E steps (one per death).

The information needs no p x p matrix per risk set: the sum over steps of the second moments is
one weighted cross-product over rows, each row weighted with the hazard that it was exposed to.

Sources: Cox 1975; Efron 1977; Therneau & Grambsch 2000, section 3.3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.survival.checks import Floats
from analysis.survival.cox_sample import CoxSample, Ties


@dataclass(frozen=True, eq=False)
class PartialLikelihood:
    """Partial likelihood at one coefficient vector, on standardised covariates.

    Attributes
    ----------
    log_likelihood, score, information : value, (p,) gradient, (p, p) negative Hessian
    risk : (m,) weight times relative risk, relative to the largest in the stratum
    means : (E, p) covariate mean over the risk set at each step
    hazards : (E,) hazard step, for the scale of ``risk``
    log_offsets : (number of strata with events,) log of the risk that ``risk`` is relative to
    exposure : (m,) hazard that each row was exposed to (deaths: with the Efron reduction)
    """

    log_likelihood: float
    score: Floats
    information: Floats
    risk: Floats
    means: Floats
    hazards: Floats
    log_offsets: Floats
    exposure: Floats


def relative_risks(sample: CoxSample, beta: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the linear predictor and risk (m,), and the log offset of each stratum.

    The offset is the largest linear predictor of the stratum: exp never overflows, and the
    partial likelihood does not change.
    """
    predictor = sample.standardised @ beta
    offsets = []
    for part in sample.risk_sets.row_slices:
        largest = predictor[part].max()
        predictor[part] -= largest
        offsets.append(largest)
    return predictor, sample.sorted_weights * np.exp(predictor), np.array(offsets)


def partial_likelihood(sample: CoxSample, beta: Floats, ties: Ties) -> PartialLikelihood:
    """Evaluate the partial likelihood at ``beta`` (p,), per scale unit of each covariate."""
    sets, X = sample.risk_sets, sample.standardised
    predictor, risk, log_offsets = relative_risks(sample, beta)
    moments = sample.with_constant * risk[:, None]
    fractions = sample.tie_fractions(ties)

    at_step = sets.sum_at_risk(moments)[sets.death_sets]
    remaining = sets.sum_of_deaths(moments[sets.deaths])[sets.death_sets]
    if fractions is not None:
        at_step -= fractions[:, None] * remaining
        remaining *= 1 - fractions[:, None]
    # Rounding in the differences of sums must not make a risk set lighter than its own deaths.
    total = np.maximum(at_step[:, 0], remaining[:, 0])
    means = at_step[:, 1:] / total[:, None]
    weights = sample.step_weights
    hazards = weights / total
    exposure = hazard_exposure(sample, hazards, fractions)

    log_likelihood = sample.death_weights @ predictor[sets.deaths] - weights @ np.log(total)
    score = sample.death_weights @ X[sets.deaths] - weights @ means
    information = (X * (risk * exposure)[:, None]).T @ X - (means * weights[:, None]).T @ means
    return PartialLikelihood(
        float(log_likelihood), score, information, risk, means, hazards, log_offsets, exposure
    )


def hazard_exposure(sample: CoxSample, hazards: Floats, fractions: Floats | None) -> Floats:
    """Sum per-step values (E, ...) over the time each row was at risk; returns (m, ...).

    Under Efron ties a row that dies is exposed to step l only by the share 1 - l/d.
    """
    sets = sample.risk_sets
    exposure = sets.sum_while_at_risk(sets.sum_of_deaths(hazards))
    if fractions is not None:
        share = fractions.reshape(-1, *(1,) * (hazards.ndim - 1))
        reduction = sets.sum_of_deaths(share * hazards)
        exposure[sets.deaths] -= reduction[sets.death_sets]
    return exposure
