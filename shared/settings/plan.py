"""plan.yaml: the pre-specified analysis, from metric to inference."""

from __future__ import annotations

from typing import Annotated, Literal

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


class ThresholdRange(Strict):
    """Predicted risks over which net benefit is shown: from `first` to `last` by `step`."""

    first: float = Field(gt=0, lt=1)
    last: float = Field(gt=0, lt=1)
    step: float = Field(gt=0, lt=1)

    @model_validator(mode="after")
    def _range_rises(self) -> ThresholdRange:
        if self.last <= self.first:
            raise ValueError("the last threshold must lie above the first")
        return self


class PredictionPlan(Strict):
    """A prediction model judged in the group: landing metrics beside a model of covariates alone.

    `covariates` are the reference model; `metrics` are what is added to it.
    """

    outcome: str
    horizon_days: float = Field(gt=0)
    metrics: list[str] = Field(min_length=1)
    covariates: list[Covariate] = Field(min_length=1)
    penalties: list[Annotated[float, Field(gt=0)]]
    bootstrap: int = Field(ge=500)
    permutations: int = Field(ge=100)
    seed: int = Field(ge=0)
    thresholds: ThresholdRange
    curve_knots: int = Field(ge=3, le=5)
    anticipated_r_squared: float = Field(gt=0, lt=1)
    leave_site_out: bool
    smallest_site_events: int = Field(ge=2)

    @model_validator(mode="after")
    def _each_stands_once(self) -> PredictionPlan:
        columns = [covariate.column for covariate in self.covariates]
        for name, entries in (("metrics", self.metrics), ("covariates", columns)):
            if len(set(entries)) < len(entries):
                raise ValueError(f"{name}: an entry stands twice")
        if sorted(set(self.penalties)) != self.penalties:
            raise ValueError("penalties: expected rising values, each once")
        return self


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
