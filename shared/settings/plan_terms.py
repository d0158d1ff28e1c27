"""plan.yaml, predictors, outcomes and covariates."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

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
