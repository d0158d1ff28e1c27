"""Cohorts without signals: true predictors, measured predictors and outcomes, for coverage studies.

The hazards are those of the full generator; only the path from movement to metric is replaced by
correlated normal predictors with a given reliability.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.simulate.hazards import CAUSES, ENDS, draw_follow_up, log_hazard_ratios
from pipeline.simulate.people import SITES
from pipeline.simulate.settings import People, SimulationSettings

Array = NDArray[np.float64]


def _ages(people: People, count: int, rng: np.random.Generator) -> Array:
    ages = np.empty(0)
    while len(ages) < count:
        drawn = rng.normal(people.age_mean_years, people.age_sd_years, 2 * count)
        kept = drawn[(drawn >= people.age_low_years) & (drawn <= people.age_high_years)]
        ages = np.concatenate([ages, kept])
    return np.round(ages[:count], 1)


def draw_cohort(
    settings: SimulationSettings,
    *,
    athletes: int,
    reliability: Mapping[str, float],
    correlation: Array | None = None,
    trials: int = 3,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return one cohort, one row per athlete.

    Parameters
    ----------
    reliability : metric -> reliability of the mean of `trials` trials, var(true) / var(measured)
    correlation : of the true predictors, in the order of `settings.outcomes.predictors`;
        None for independent predictors

    Returns
    -------
    Columns ``site, age_at_surgery_years, sex, followup_days, event, cause`` (0 none, 1 graft
    rupture, 2 contralateral tear, 3 any other end before the horizon except loss), and for each
    predictor ``{metric}_true``, ``{metric}_measured`` (mean of the trials) and
    ``{metric}_trial_1`` ... All predictors are in standard deviations of the true values in this
    cohort, the unit of the planted hazard ratios.
    """
    outcomes = settings.outcomes
    names = [predictor.metric for predictor in outcomes.predictors]
    matrix = np.eye(len(names)) if correlation is None else correlation
    true = rng.standard_normal((athletes, len(names))) @ np.linalg.cholesky(matrix).T
    true = (true - true.mean(axis=0)) / true.std(axis=0, ddof=1)
    age = _ages(settings.people, athletes, rng)
    women = rng.random(athletes) < settings.people.women_share
    standardised = {name: true[:, index] for index, name in enumerate(names)}
    ratios = log_hazard_ratios(outcomes, standardised, age, women.astype(float))
    follow_up = draw_follow_up(
        outcomes,
        ratios,
        rng.standard_exponential((athletes, len(ENDS) - 1)),
        np.zeros(athletes, dtype=bool),
    )
    ends = np.array(ENDS)[follow_up.event]
    cause = np.select([ends == CAUSES[0], ends == CAUSES[1]], [1, 2], 3)
    cause[np.isin(ends, ["lost", "end_of_study"])] = 0
    table = pd.DataFrame(
        {
            "site": np.array(SITES)[np.arange(athletes) % len(SITES)],
            "age_at_surgery_years": age,
            "sex": np.where(women, "female", "male"),
            "followup_days": follow_up.days,
            "event": ends,
            "cause": cause,
        }
    )
    for name in names:
        error_sd = np.sqrt(trials * (1.0 / reliability[name] - 1.0))
        errors = rng.standard_normal((athletes, trials)) * error_sd
        values = standardised[name][:, None] + errors
        table[f"{name}_true"] = standardised[name]
        table[f"{name}_measured"] = values.mean(axis=1)
        for trial in range(trials):
            table[f"{name}_trial_{trial + 1}"] = values[:, trial]
    return table
