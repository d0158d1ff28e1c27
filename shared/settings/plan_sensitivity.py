"""plan.yaml, what the primary models would say under another choice, and missing values."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from shared.settings.plan_terms import Covariate
from shared.settings.strict import Strict


class SimexPlan(Strict):
    """Simulation and extrapolation: refits per step of added error, and their seed."""

    refits: int = Field(ge=20)
    seed: int = Field(ge=0)


class PenalisedPlan(Strict):
    """Penalised fits beside the primary models, where events are few for their coefficients."""

    below_events_per_coefficient: float = Field(gt=0)
    ridge_penalties: list[float] = Field(min_length=1)

    @model_validator(mode="after")
    def _penalties_are_positive(self) -> PenalisedPlan:
        if any(not penalty > 0 for penalty in self.ridge_penalties):
            raise ValueError("ridge_penalties: every weight is above zero")
        return self


class SpecificationsPlan(Strict):
    """The primary models under one other choice at a time; null or empty leaves a choice out."""

    without_contact_injuries: bool
    without_first_days: float | None = Field(gt=0)
    horizons_days: list[float]
    periods_cut_day: float | None = Field(gt=0)
    minimal_covariates: list[str]
    further_covariates: list[Covariate]
    on_athlete_exposures: bool
    negative_control: str | None
    least_events_per_coefficient: float = Field(gt=0)


class SensitivityPlan(Strict):
    """What the primary models would say under another choice."""

    penalised: PenalisedPlan
    specifications: SpecificationsPlan
    frailty_least_groups: int = Field(ge=2)
    spline_knots: int = Field(ge=3, le=5)
    simex: SimexPlan
    rare_outcome_below: float = Field(gt=0, lt=1)
    leave_one_event_out_below: int = Field(ge=0)


class MissingPlan(Strict):
    """Which handling of missing and clipped predictors gives the primary estimates."""

    primary: Literal["imputed", "complete_cases"]


class ImputationPlan(Strict):
    """Missing and clipped predictors filled in: how often, by which models, and shifted how far."""

    data_sets: int = Field(ge=2)
    iterations: int = Field(ge=1)
    method: Literal["normal", "predictive_mean_matching"]
    donors: int = Field(ge=1)
    log_scale: list[str]
    auxiliary: list[str]
    shifts_sd: list[float]
    seed: int = Field(ge=0)

    @model_validator(mode="after")
    def _shifts_move_and_differ(self) -> ImputationPlan:
        if 0.0 in self.shifts_sd or len(set(self.shifts_sd)) < len(self.shifts_sd):
            raise ValueError("shifts_sd: each shift stands once, and none is zero")
        return self
