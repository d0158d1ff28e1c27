"""Detect a partial likelihood that keeps rising to infinity (monotone likelihood, separation).

It happens when some combination of covariates is, at every event, largest for the person who
has the event: the estimate of that combination is infinite (Heinze & Schemper 2001).
"""

from __future__ import annotations

import numpy as np

from analysis.survival.checks import Floats
from analysis.survival.cox_sample import CoxSample

# Slack, as a share of the spread of the combination, because the direction comes from a Newton
# step and is therefore only nearly exact.
SLACK = 0.01
# A coefficient takes part in the direction when its share of the step exceeds this.
NEGLIGIBLE = 0.05
# Log hazard ratio over a covariate's range that a step must still add to be suspected.
LONG_STEP = 0.5
# Slack, summed over constraints, that a separating direction must have: beyond the tolerance of
# the solver.
LEAST_GAIN = 1e-3


def rises_forever(sample: CoxSample, direction: Floats) -> bool:
    """Tell whether each death has the largest ``covariates @ direction`` of its risk set."""
    sets = sample.risk_sets
    combination = sample.standardised @ direction
    spread = float(np.ptp(combination))
    if spread == 0:
        return False
    largest = np.maximum.reduceat(combination, sets.leave_offsets)
    if sets.late.size == 0:
        for part in sets.stratum_slices:
            largest[part] = np.maximum.accumulate(largest[part][::-1])[::-1]
    else:
        # With late entry risk sets are not nested; reached only when divergence is suspected.
        for s in range(sets.times.size):
            largest[s] = combination[(sets.first <= s) & (s <= sets.last)].max()
    shortfall = largest[sets.death_sets] - combination[sets.deaths]
    return bool(shortfall.max() <= SLACK * spread)


def divergence_along(sample: CoxSample, step: Floats) -> tuple[str, ...]:
    """Name the covariates that run off to infinity along a Newton step, if any do.

    The step must still move the hazard ratio over a covariate's range by a visible factor.
    """
    log_ratio = np.abs(step) * np.ptp(sample.standardised, axis=0)
    largest = log_ratio.max()
    if largest <= LONG_STEP:
        return ()
    if not rises_forever(sample, np.where(log_ratio > SLACK * largest, step, 0.0)):
        return ()
    taking_part = log_ratio > NEGLIGIBLE * largest
    return tuple(name for name, part in zip(sample.names, taking_part, strict=True) if part)


def separated_terms(sample: CoxSample) -> tuple[str, ...]:
    """Name the covariates that separate the events from the others, if any do (exact, slower).

    A linear programme looks for the direction in which every death stays the largest of its risk
    set and the slack of all constraints together is largest. Its variables are the direction and
    the largest value of each risk set; without late entry risk sets are nested, so it has about
    one constraint per row.
    """
    from scipy import optimize, sparse

    sets, X = sample.risk_sets, sample.standardised
    m, p = X.shape
    S = sets.times.size
    if sets.late.size:
        spans = sets.last - sets.first + 1
        rows = np.repeat(np.arange(m), spans)
        at_risk = np.arange(rows.size) - np.repeat(np.cumsum(spans) - spans, spans)
        at_risk += np.repeat(sets.first, spans)
        later = np.zeros(0, dtype=np.intp)
    else:
        rows, at_risk = np.arange(m), sets.last
        later = np.flatnonzero(np.diff(sets.strata) == 0) + 1
    largest = sparse.identity(S, format="csr")
    constraints = sparse.vstack(
        [
            sparse.hstack([sparse.csr_matrix(X[rows]), -largest[at_risk]]),
            sparse.hstack(
                [sparse.csr_matrix((later.size, p)), largest[later] - largest[later - 1]]
            ),
            sparse.hstack([sparse.csr_matrix(-X[sets.deaths]), largest[sets.death_sets]]),
        ],
        format="csr",
    )
    gain = -np.asarray(constraints.sum(axis=0)).ravel()
    box = [(-1.0, 1.0)] * p + [(None, None)] * S
    found = optimize.linprog(-gain, constraints, np.zeros(constraints.shape[0]), bounds=box)
    if found.status != 0 or found.x is None or gain @ found.x < LEAST_GAIN:
        return ()
    reach = np.abs(found.x[:p]) * np.ptp(X, axis=0)
    taking_part = reach > NEGLIGIBLE * reach.max()
    return tuple(name for name, part in zip(sample.names, taking_part, strict=True) if part)
