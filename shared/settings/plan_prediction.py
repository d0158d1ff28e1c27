"""plan.yaml, the prediction model."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from shared.settings.plan_terms import Covariate
from shared.settings.strict import Strict


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
