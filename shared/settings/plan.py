"""plan.yaml: the pre-specified analysis, from metric to inference."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from shared.settings.strict import Strict

Cause = Literal["graft_rupture", "contralateral_tear"]


class Predictor(Strict):
    """A landing metric at clearance, averaged over the valid trials of an athlete."""

    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    label: str
    metric: str
    sensor: Literal["plate", "waist", "gyro", "camera"]
    task: str
    limb: Literal["involved", "uninvolved", "both"]
    landing: int = Field(default=1, ge=1, le=2)


class Outcome(Strict):
    """An outcome of the cause-specific models: which events count; all others censor."""

    label: str
    events: list[Cause] = Field(min_length=1)


class Covariate(Strict):
    """An adjustment covariate; a category names its reference level."""

    column: str
    label: str
    reference: str | None = None
    per: float = Field(default=1.0, gt=0)


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


ForceModelName = Literal["linear", "log_log", "log_log_covariates", "boosting", "network"]


class BoostingPlan(Strict):
    """Gradient boosting of small trees on squared error."""

    trees: int = Field(ge=1)
    learning_rate: float = Field(gt=0, le=1)
    leaves: int = Field(ge=2)
    landings_per_leaf: int = Field(ge=1)


class NetworkPlan(Strict):
    """A neural network of one hidden layer; penalty on the squared weights."""

    hidden_units: int = Field(ge=1)
    penalty: float = Field(ge=0)
    iterations: int = Field(ge=1)


class ForceModelPlan(Strict):
    """Peak vertical force estimated from waist acceleration: models and how they are judged."""

    models: list[ForceModelName] = Field(min_length=1)
    folds: int = Field(ge=2)
    seed: int = Field(ge=0)
    metric_share: float = Field(gt=0, le=1)
    boosting: BoostingPlan
    network: NetworkPlan


class SimexPlan(Strict):
    """Simulation and extrapolation: refits per step of added error, and their seed."""

    refits: int = Field(ge=20)
    seed: int = Field(ge=0)


class SensitivityPlan(Strict):
    """What the primary models would say under another choice."""

    spline_knots: int = Field(ge=3, le=5)
    simex: SimexPlan
    rare_outcome_below: float = Field(gt=0, lt=1)
    leave_one_event_out_below: int = Field(ge=0)


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

    imputation: ImputationPlan
    known_groups: KnownGroupsPlan | None = None
    multiplicity: Literal["holm"]
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
