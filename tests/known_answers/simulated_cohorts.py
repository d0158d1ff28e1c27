"""Cohorts with noisy trials, visits, sites and a competing injury: what the simulations redraw.

Three predictors (true values with SD 1 over all sites and both sexes; log hazard ratios `TRUE` per
SD; the third has no effect but correlates with the first, so that error in the first can make it
look like one). An athlete has three trials at clearance, one in ten only two. Some of those still
under observation after a quarter of the horizon come to a follow-up visit. Sites differ in hazard
and in the predictors, women in the first predictor; a competing injury with effects of the opposite
sign and random ends of observation censor; days are whole, so that times tie.
Everything is drawn from normal, uniform and exponential variates: no source, invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Integers = NDArray[np.intp]

TRUE = np.array([0.5, -0.4, 0.0])
COVARIATE_EFFECTS = np.array([-0.2, 0.3])
"""Log hazard ratio of age (per SD) and of women."""
CORRELATION = np.array([[1.0, -0.3, 0.5], [-0.3, 1.0, 0.0], [0.5, 0.0, 1.0]])
SITE_SHIFTS = np.array([-0.3, 0.0, 0.3])
SITE_HAZARDS = np.array([0.7, 1.0, 1.4])
SHIFT_OF_WOMEN = np.array([0.4, 0.0, 0.0])
TRIAL_VARIANCE = np.array([1.0, 0.75, 1 / 3])
"""Of one trial; where visits do not differ, three have reliability 0.75, 0.80 and 0.90."""
TRIALS = 3
HORIZON_DAYS = 730
RATE, COMPETING_RATE = 0.118, 0.12
EVENT_SHARE = 0.12
FOLLOW_UP_SHARE = 0.5
FOLLOW_UP_FROM = 0.25


@dataclass(frozen=True)
class Scenario:
    """Where error comes from and what the hazard depends on.

    Attributes
    ----------
    visit_variance : of what differs between visits of an athlete; the habitual value has about 1
    hazard_from_visit : the hazard depends on the status at clearance, not on the habitual value
    """

    name: str
    visit_variance: float
    hazard_from_visit: bool = False

    @property
    def true_deviation(self) -> float:
        """SD of the value on which the hazard depends."""
        return float(np.sqrt(1 + self.visit_variance)) if self.hazard_from_visit else 1.0


TRIAL_NOISE = Scenario("trial noise only", 0.0)
HABITUAL = Scenario("visits differ; the habitual value matters", 0.25)
STATUS = Scenario("visits differ; the status at clearance matters", 0.25, True)
SCENARIOS = (TRIAL_NOISE, HABITUAL, STATUS)


@dataclass(frozen=True)
class Cohort:
    """One cohort; n athletes, m trials.

    Attributes
    ----------
    site, age, women : (n,) stratum 0..2, standardised age, 0/1
    days, event : (n,) end of observation; True where the injury of interest ended it
    values, athlete, visit : (m, 3) trial values; (m,) athlete number; 0 clearance, 1 follow-up
    """

    site: Integers
    age: Array
    women: Array
    days: Array
    event: NDArray[np.bool_]
    values: Array
    athlete: Integers
    visit: Integers

    @property
    def clearance_trials(self) -> Array:
        """(n,) trials at clearance."""
        return np.bincount(self.athlete[self.visit == 0]).astype(float)

    @property
    def means(self) -> Array:
        """(n, 3) mean of the trials at clearance."""
        now = self.visit == 0
        sums = [np.bincount(self.athlete[now], column[now]) for column in self.values.T]
        return np.column_stack(sums) / self.clearance_trials[:, None]


def athletes_for(events: int) -> int:
    """Return how many athletes have about this many events."""
    return round(events / EVENT_SHARE)


def draw(scenario: Scenario, athletes: int, rng: np.random.Generator) -> Cohort:
    """Return one cohort."""
    site = np.arange(athletes) % len(SITE_SHIFTS)
    women = (rng.random(athletes) < 0.5).astype(float)
    age = rng.standard_normal(athletes)
    habitual = _habitual(site, women, rng)
    deviation = np.sqrt(scenario.visit_variance)
    status = habitual + deviation * rng.standard_normal(habitual.shape)
    acting = status / scenario.true_deviation if scenario.hazard_from_visit else habitual
    covariates = np.column_stack([age, women])
    days, event = _follow_up(acting @ TRUE, covariates @ COVARIATE_EFFECTS, site, rng)
    attends = (days > FOLLOW_UP_FROM * HORIZON_DAYS) & (rng.random(athletes) < FOLLOW_UP_SHARE)
    later = 0.3 + habitual + deviation * rng.standard_normal(habitual.shape)
    counts = np.where(rng.random(athletes) < 0.1, TRIALS - 1, TRIALS)
    now = np.repeat(np.arange(athletes), counts)
    then = np.repeat(np.flatnonzero(attends), TRIALS)
    athlete = np.concatenate([now, then])
    errors = np.sqrt(TRIAL_VARIANCE) * rng.standard_normal((len(athlete), len(TRUE)))
    return Cohort(
        site=site,
        age=age,
        women=women,
        days=days,
        event=event,
        values=np.concatenate([status[now], later[then]]) + errors,
        athlete=athlete,
        visit=np.repeat([0, 1], [len(now), len(then)]),
    )


def _habitual(site: Integers, women: Array, rng: np.random.Generator) -> Array:
    """Return (n, 3) habitual values: mean 0 and SD 1 over sites and sexes."""
    shifts = SITE_SHIFTS[site][:, None] + (women - 0.5)[:, None] * SHIFT_OF_WOMEN
    left = np.sqrt(1 - SITE_SHIFTS.var() - SHIFT_OF_WOMEN**2 / 4)
    drawn = rng.standard_normal((len(site), len(TRUE))) @ np.linalg.cholesky(CORRELATION).T
    return shifts + left * drawn


def _follow_up(
    effect: Array, covariates: Array, site: Integers, rng: np.random.Generator
) -> tuple[Array, NDArray[np.bool_]]:
    base = SITE_HAZARDS[site] * np.exp(covariates)
    injury = rng.standard_exponential(len(site)) / (RATE * base * np.exp(effect))
    competing = rng.standard_exponential(len(site)) / (COMPETING_RATE * base * np.exp(-effect))
    end = rng.uniform(0.5, 1.0, len(site))
    first = np.minimum(np.minimum(injury, competing), end)
    return np.maximum(np.ceil(first * HORIZON_DAYS), 1.0), injury == first
