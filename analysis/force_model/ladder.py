"""The ladder of models, simple to complicated, with the settings of each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.force_model.formulas import Linear, LogLog, LogLogWithCovariates
from analysis.force_model.learners import Boosting, Network
from analysis.force_model.model import ForceModel

LADDER = ("linear", "log_log", "log_log_covariates", "boosting", "network")
"""Names of all models, simple to complicated."""


def ladder_of(settings: Mapping[str, Any]) -> list[ForceModel]:
    """Return the models that the plan's section `force_model` names, simple to complicated."""
    seed = int(settings["seed"])
    models: list[ForceModel] = [
        Linear(),
        LogLog(),
        LogLogWithCovariates(),
        Boosting(**settings["boosting"], seed=seed),
        Network(**settings["network"], seed=seed),
    ]
    return [model for model in models if model.name in settings["models"]]
