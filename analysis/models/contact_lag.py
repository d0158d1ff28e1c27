"""Step: by how much the waist unit sees a contact later than the plate, by task and site.

The lag is estimated on the study's own trials that have both sensors, and reported; no value is
corrected by it. Outcomes play no part.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.agreement import nested_limits
from analysis.estimates import Estimates, write_estimates
from analysis.mixed import ModelRefusedError
from analysis.models.agreement import group_fields, groups, random_terms, refusal
from analysis.models.agreement_rows import Group, add_limits
from shared.metric_dictionary import metrics as metric_dictionary
from shared.tables import read_table

STEP = "analysis.models.contact_lag:contact_lag_of_waist"
ANALYSIS = "contact_lag"
LAG = "contact_lag_of_waist"
GROUPINGS = ("task", "site")


def lag_rows(values: pd.DataFrame) -> pd.DataFrame:
    """Return the measured lags, those that are flagged against the analysis as not valid."""
    chosen = (values["metric"] == LAG) & values["value"].notna()
    return values.loc[chosen].sort_values("landing_id", kind="stable", ignore_index=True)


def lag_numbers(rows: pd.DataFrame, level: float) -> Estimates:
    """Return bias, standard deviation and limits of the lag, over all and by group."""
    numbers = Estimates(
        ANALYSIS,
        family="secondary",
        metric=LAG,
        sensor="waist",
        outcome="contact by waist minus contact by plate",
        model="linear mixed model of trials",
    )
    if rows.empty:
        numbers.not_run("all", "no trial has contacts by a plate and by a waist unit")
        return numbers
    for term, part in groups(rows, GROUPINGS):
        fields = group_fields(term, part, metric_dictionary()[LAG].unit)
        group = Group(numbers, (), term, level, fields)
        if reason := refusal(fields):
            group.not_run(reason)
            if term == ("all",):
                break  # its parts are smaller still
            continue
        valid = part.loc[part["valid"]]
        try:
            lag, nothing = valid["value"], np.zeros(len(valid))
            limits = nested_limits(lag, nothing, random_terms(valid), level)
            add_limits(group, limits, lag, valid["athlete_id"])
        except (ModelRefusedError, ValueError) as error:
            group.not_run(str(error))
    return numbers


def contact_lag_of_waist(*, metrics: Path, estimates: Path, plan: dict[str, Any]) -> None:
    """Write the lag of contact of the waist unit behind the plate."""
    numbers = lag_numbers(lag_rows(read_table(metrics)), float(plan["confidence_level"]))
    write_estimates(estimates, numbers, step=STEP, inputs={"metrics": metrics})
