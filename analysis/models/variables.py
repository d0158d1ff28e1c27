"""The variables of the cohort as tables and models name them: covariates and predictors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from analysis.cohort.analysis_set import is_missing
from analysis.estimates import EstimateFields
from shared.metric_dictionary import metrics
from shared.schemas import schema_of


@dataclass(frozen=True)
class Variable:
    """A column of the cohort; `metric` and its companions are '' unless it is a predictor."""

    name: str
    column: str
    unit: str = ""
    is_category: bool = False
    metric: str = ""
    sensor: str = ""
    task: str = ""
    limb: str = ""

    def fields(self, unit: str, n_athletes: int) -> EstimateFields:
        """Return the columns of `estimates` that name the variable, with a unit and a number."""
        return {
            "metric": self.metric,
            "sensor": self.sensor,
            "task": self.task,
            "limb": self.limb,
            "unit": unit,
            "n_athletes": n_athletes,
        }

    def levels(self, rows: pd.DataFrame) -> list[str]:
        """Return the levels of a category that occur, sorted."""
        known = rows.loc[~is_missing(rows, [self.column]), self.column]
        return sorted({str(level) for level in known})


def predictor_variable(predictor: dict[str, Any]) -> Variable:
    """Return a predictor of the plan as a variable."""
    return Variable(
        name=predictor["name"],
        column=predictor["name"],
        unit=metrics()[predictor["metric"]].unit,
        metric=predictor["metric"],
        sensor=predictor["sensor"],
        task=predictor["task"],
        limb=predictor["limb"],
    )


_DESCRIBED = (
    "site",
    "sex",
    "age_at_surgery_years",
    "graft",
    "injured_side",
    "sport_level",
    "prior_acl_injury",
    "mass_kg",
    "height_m",
    "clearance_days",
)


def cohort_variables(plan: dict[str, Any]) -> list[Variable]:
    """Return the variables of Table 1: who the athletes are, then the predictors of the plan."""
    columns = {column.name: column for column in schema_of("cohort").columns}
    people = [
        Variable(name, name, columns[name].unit, columns[name].type == "string")
        for name in _DESCRIBED
    ]
    return people + [predictor_variable(p) for p in [*plan["primary"], *plan["exploratory"]]]
