"""plan.yaml: the pre-specified analysis, from metric to inference."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from shared.settings.plan_force_model import ForceModelPlan
from shared.settings.plan_prediction import PredictionPlan
from shared.settings.plan_sensitivity import ImputationPlan, MissingPlan, SensitivityPlan
from shared.settings.plan_terms import Covariate, Outcome, Predictor
from shared.settings.strict import Strict


class CoxPlan(Strict):
    """Conventions of the cause-specific Cox models."""

    ties: Literal["efron", "breslow"]
    strata: list[str]
    covariates: list[Covariate]
    interval: Literal["wald", "profile"]
    penalty: Literal["none", "firth"]


class MixedPlan(Strict):
    """Limb difference, asymmetry and reliability: metrics and tasks, trials within athletes."""

    metrics: list[str]
    tasks: list[str] = Field(min_length=1)
    log_scale: list[str]
    degrees_of_freedom: Literal["satterthwaite", "kenward-roger"]
    reliability_refits: int = Field(ge=0)
    reliability_trials: int = Field(ge=2, le=50)
    check_refits: int = Field(ge=0)


class CumulativeIncidencePlan(Strict):
    """Cumulative incidence by cause; group = a column of the cohort, null = all."""

    interval: Literal["plain", "log-log"]
    group: str | None
    times_days: list[float] = Field(min_length=1)


class KnownDifference(Strict):
    """A metric that must differ between two instructed landings, and which way."""

    metric: str
    sensor: Literal["plate", "waist", "gyro", "camera", "reference_accelerometer"]
    expected: Literal["lower", "higher"]


class KnownGroupsPlan(Strict):
    """Instructed landings that are known to differ: `first` against `second`, both tasks."""

    first: str
    second: str
    metrics: list[KnownDifference] = Field(min_length=1)


class RederivationPlan(Strict):
    """Landings derived a second time from the raw files: how many, and how far they may differ.

    Shares of the value: force and impulse (`force_share`), loading rate, acceleration; then events
    in ms and angles in degrees. A metric fails with more than `outside_share` beyond its limit.
    """

    share: float = Field(gt=0, le=1)
    fewest_landings: int = Field(ge=1)
    seed: int = Field(ge=0)
    force_share: float = Field(gt=0)
    loading_rate_share: float = Field(gt=0)
    acceleration_share: float = Field(gt=0)
    time_ms: float = Field(gt=0)
    angle_deg: float = Field(gt=0)
    outside_share: float = Field(ge=0, lt=1)


class RBundlePlan(Strict):
    """How far R may differ: coefficients in standard errors, log-likelihoods as a share."""

    cox_coefficient: float = Field(gt=0)
    cox_log_likelihood: float = Field(gt=0)
    mixed_coefficient: float = Field(gt=0)
    mixed_log_likelihood: float = Field(gt=0)
    nlme_coefficient: float = Field(gt=0)
    nlme_log_likelihood: float = Field(gt=0)


class AuditPlan(Strict):
    """The second opinion: how it is taken, and what counts as agreement."""

    rederivation: RederivationPlan
    r_bundle: RBundlePlan


class PlanSettings(Strict):
    """What is estimated, how, and in which family of tests it stands."""

    title: str
    population: str
    question: str
    handling_of_other_ends: str
    horizon_days: float = Field(gt=0)
    confidence_level: float = Field(gt=0.5, lt=1)
    primary: list[Predictor] = Field(min_length=1, max_length=5)
    exploratory: list[Predictor]
    outcomes: dict[str, Outcome] = Field(min_length=1)
    primary_outcomes: list[str] = Field(min_length=1)
    cox: CoxPlan
    mixed: MixedPlan
    cumulative_incidence: CumulativeIncidencePlan
    force_model: ForceModelPlan
    sensitivity: SensitivityPlan
    missing: MissingPlan
    imputation: ImputationPlan
    audit: AuditPlan
    known_groups: KnownGroupsPlan | None = None
    prediction: PredictionPlan | None = None
    multiplicity: Literal["holm"]
    multiplicity_exploratory: Literal["benjamini_hochberg"]
    power: float = Field(gt=0, lt=1)
    reference_hazard_ratio: float = Field(gt=1)
    seed: int = Field(ge=0)

    @model_validator(mode="after")
    def _names_are_known_and_unique(self) -> PlanSettings:
        names = [predictor.name for predictor in (*self.primary, *self.exploratory)]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"the predictor name {twice[0]!r} is used twice")
        for outcome in self.primary_outcomes:
            if outcome not in self.outcomes:
                raise ValueError(f"primary outcome {outcome!r} is not among the outcomes")
        measured = {predictor.metric for predictor in self.primary}
        for metric in self.imputation.log_scale:
            if metric not in measured:
                raise ValueError(f"imputation.log_scale: {metric!r} is no primary metric")
        return self

    @model_validator(mode="after")
    def _prediction_is_of_this_plan(self) -> PlanSettings:
        if self.prediction is None:
            return self
        if self.prediction.outcome not in self.outcomes:
            raise ValueError(f"prediction.outcome: {self.prediction.outcome!r} is no outcome")
        if self.prediction.horizon_days > self.horizon_days:
            raise ValueError("prediction.horizon_days: later than the horizon of the plan")
        names = {predictor.name for predictor in (*self.primary, *self.exploratory)}
        for metric in self.prediction.metrics:
            if metric not in names:
                raise ValueError(f"prediction.metrics: {metric!r} is no predictor of the plan")
        return self
