"""plan.yaml, the models of peak vertical force from waist acceleration."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from shared.settings.strict import Strict

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
