"""The planted effects and the true values behind them, as tables for the demo's report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.simulate.hazards import CAUSES, log_hazard_ratios
from pipeline.simulate.people import Person
from pipeline.simulate.settings import SimulationSettings
from pipeline.simulate.style import SINGLE_LEG, Performance, draw_style, of_body, style_values

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Standardised:
    """True predictors in their own units, their mean and SD over the cohort, and standardised."""

    true: Mapping[str, Array]
    mean: Mapping[str, float]
    sd: Mapping[str, float]
    values: Mapping[str, Array]


def standardise(settings: SimulationSettings, true: Mapping[str, Array]) -> Standardised:
    """Standardise true predictors over the cohort (SD with n - 1)."""
    names = [predictor.metric for predictor in settings.outcomes.predictors]
    mean = {name: float(true[name].mean()) for name in names}
    sd = {name: float(true[name].std(ddof=1)) for name in names}
    values = {name: (true[name] - mean[name]) / sd[name] for name in names}
    return Standardised(true, mean, sd, values)


def effects_truth(settings: SimulationSettings, standardised: Standardised) -> pd.DataFrame:
    """Return one row per planted hazard ratio; covariates have an empty metric."""
    rows = []
    for predictor in settings.outcomes.predictors:
        for cause in CAUSES:
            ratio = predictor.hazard_ratio_per_sd[cause]
            rows.append(
                {
                    "term": predictor.metric,
                    "metric": predictor.metric,
                    "sensor": predictor.sensor,
                    "task": predictor.task,
                    "limb": predictor.limb,
                    "landing": predictor.landing,
                    "cause": cause,
                    "hazard_ratio": ratio,
                    "log_hazard_ratio": np.log(ratio),
                    "per": "SD of the true predictor",
                    "predictor_mean": standardised.mean[predictor.metric],
                    "predictor_sd": standardised.sd[predictor.metric],
                    "unit": predictor.unit,
                }
            )
    covariates = {
        "age_at_surgery_years": (settings.outcomes.age_per_year, "year"),
        "sex_female": (settings.outcomes.women, "female against male"),
    }
    for term, (effect, per) in covariates.items():
        for cause in CAUSES:
            ratio = effect.hazard_ratio[cause]
            rows.append(
                {
                    "term": term,
                    "metric": "",
                    "sensor": "",
                    "task": "",
                    "limb": "",
                    "landing": 0,
                    "cause": cause,
                    "hazard_ratio": ratio,
                    "log_hazard_ratio": np.log(ratio),
                    "per": per,
                    "predictor_mean": np.nan,
                    "predictor_sd": np.nan,
                    "unit": "",
                }
            )
    return pd.DataFrame(rows)


def athletes_truth(
    settings: SimulationSettings, people: Sequence[Person], standardised: Standardised
) -> pd.DataFrame:
    """Return one row per athlete: true predictors, log hazard ratios, style at clearance.

    Style parameters are those of the single-leg drop landing on the operated limb (mean of both
    limbs in a bilateral case), without trial variation.
    """
    age = np.array([person.age_at_surgery_years for person in people])
    women = np.array([float(person.is_woman) for person in people])
    ratios = log_hazard_ratios(settings.outcomes, standardised.values, age, women)
    table = {
        "athlete_id": [person.athlete_id for person in people],
        "site": [person.site for person in people],
        "injured_side": [person.injured_side for person in people],
    }
    columns: dict[str, object] = dict(table)
    for name in standardised.values:
        columns[f"{name}_true"] = standardised.true[name]
        columns[f"{name}_standardised"] = standardised.values[name]
    for cause in CAUSES:
        columns[f"log_hazard_ratio_{cause}"] = ratios[cause]
    draws = {person.number: draw_style(settings, person.number) for person in people}
    performances = [
        Performance(person, 0, SINGLE_LEG, person.injured_side, 1, None) for person in people
    ]
    for name, values in style_values(settings, draws, performances).items():
        columns[name] = of_body(values, performances)
    return pd.DataFrame(columns)
