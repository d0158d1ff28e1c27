"""The primary mixed model on redrawn studies: limb difference, trials in visits in athletes.

Every athlete lands three times on each limb at clearance, every second one again at follow-up.
Planted: a limb difference that varies between athletes, a difference between women and men, a
change at follow-up. An interval of a mixed model moves with the planted effect, so coverage is one
minus the type-I error, and one simulation shows both. Invented, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm, t

from analysis.mixed import MixedFit, fit_mixed, random_intercept, satterthwaite_t
from analysis.mixed.bootstrap import refit_near
from analysis.mixed.deviance import with_response
from analysis.models.limb_model import LimbModel, fit_limb_model, limb_model
from analysis.models.trial_design import ATHLETE, visit_term
from tests.known_answers.simulation_summary import Found

Array = NDArray[np.float64]

TRIALS = 3
TERMS = ("involved", "sex_male", "visit_follow_up")
PLANTED = np.array([-0.3, 0.5, 0.2])
ATHLETE_SD, VISIT_SD, TRIAL_SD = 1.0, 0.4, 0.7
COVARIATES = (
    {"column": "age_at_surgery_years", "reference": None, "per": 5},
    {"column": "sex", "reference": "female", "per": 1},
)
MIXED = "mixed, Satterthwaite"
NORMAL = "mixed, normal quantiles"
INDEPENDENT = "trials as if independent"


@dataclass(frozen=True)
class LimbScenario:
    """How much the limb difference varies between athletes (SD)."""

    name: str
    slope_sd: float


VARIES = LimbScenario("the limb difference varies between athletes", 0.4)
CONSTANT = LimbScenario("the limb difference is the same in all athletes", 0.0)


class LimbStudy:
    """The rows of one study, whose values are redrawn; fits start from those of a first draw.

    With one draw for the start, later draws need one descent instead of many starts; that the
    fits are the same is tested.
    """

    def __init__(self, scenario: LimbScenario, athletes: int, rng: np.random.Generator):
        self.scenario = scenario
        self.rows = _rows(athletes, rng)
        self.model = self.model_of(self.draw(rng))
        self.positions = [list(self.model.fixed).index(name) for name in TERMS]
        self.fixed = np.column_stack(list(self.model.fixed.values()))
        # The start needs a slope: a first draw without one would start every fit at zero.
        varied = LimbStudy.draw(self, rng, slope_sd=max(scenario.slope_sd, 0.4))
        self.with_slope = fit_limb_model(self.model_of(varied), "satterthwaite", 0.95).fit
        athlete = random_intercept(ATHLETE, self.rows["athlete_id"].to_numpy())
        self.without = fit_mixed(self.model.response, self.fixed, [athlete, *visit_term(self.rows)])

    def model_of(self, values: Array) -> LimbModel:
        """Return the pipeline's model of these values."""
        return limb_model(self.rows.assign(value=values), COVARIATES, "clearance", False)

    def draw(self, rng: np.random.Generator, slope_sd: float | None = None) -> Array:
        """Return (m,) new values of all trials."""
        rows, deviation = self.rows, self.scenario.slope_sd if slope_sd is None else slope_sd
        who, visit = rows["athlete_id"].to_numpy(), rows["visit"].eq("follow_up").to_numpy()
        half = rows["limb"].eq("involved").to_numpy() - 0.5
        count = int(who.max()) + 1
        values = ATHLETE_SD * rng.standard_normal(count)[who]
        values += deviation * rng.standard_normal(count)[who] * half
        values += VISIT_SD * rng.standard_normal((count, 2))[who, visit.astype(int)]
        values += TRIAL_SD * rng.standard_normal(len(rows))
        effects = np.column_stack([half + 0.5, rows["sex"].eq("male"), visit])
        return values + effects @ PLANTED

    def fit(self, values: Array) -> MixedFit:
        """Return the fit of `fit_limb_model`: without random slope where that is singular."""
        fit = refit_near(with_response(self.with_slope.problem, values), self.with_slope)
        if fit.converged and not fit.singular:
            return fit
        return refit_near(with_response(self.without.problem, values), self.without)

    def analyses(self, values: Array) -> Iterator[tuple[str, Found]]:
        """Yield estimates and intervals of the three planted effects by each method."""
        fit = self.fit(values)
        if not fit.converged:
            return
        weights = np.eye(self.fixed.shape[1])[self.positions]
        tests = satterthwaite_t(fit, weights, 0.95)
        at = np.array([test.estimate for test in tests])
        se = np.array([test.standard_error for test in tests])
        df = np.array([test.df for test in tests])
        yield MIXED, _found(at, se, t.ppf(0.975, df))
        yield NORMAL, _found(at, se, norm.ppf(0.975))
        yield INDEPENDENT, self._independent(values)

    def _independent(self, values: Array) -> Found:
        free = len(values) - self.fixed.shape[1]
        inverse = np.linalg.inv(self.fixed.T @ self.fixed)
        at = inverse @ self.fixed.T @ values
        variance = np.square(values - self.fixed @ at).sum() / free
        se = np.sqrt(variance * np.diag(inverse))
        return _found(at[self.positions], se[self.positions], t.ppf(0.975, free))


def _found(at: Array, se: Array, quantile: Array | float) -> Found:
    return Found(at, se, at - quantile * se, at + quantile * se)


def _rows(athletes: int, rng: np.random.Generator) -> pd.DataFrame:
    number = np.arange(athletes)
    age = np.round(rng.normal(20, 4, athletes), 1)
    grid = pd.MultiIndex.from_product(
        [number, ["clearance", "follow_up"], ["uninvolved", "involved"], range(TRIALS)],
        names=["athlete_id", "visit", "limb", "trial"],
    )
    rows = grid.to_frame(index=False)
    who = rows["athlete_id"].to_numpy()
    rows = rows.assign(
        site=np.array(["harbour", "meadow", "ridge"])[who % 3],
        sex=np.where(who % 5 < 2, "male", "female"),
        age_at_surgery_years=age[who],
        injured_side="left",
    )
    return rows.loc[rows["visit"].eq("clearance") | (who % 2 == 0)].reset_index(drop=True)
