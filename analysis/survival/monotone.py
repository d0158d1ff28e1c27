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
