"""The mixed models of the limb difference as data for R."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from analysis.audit.r_models import ForR, Found, column_names, order_of, printed_rows
from analysis.estimates import number_id
from analysis.mixed import ModelRefusedError
from analysis.models.grouped import grouped
from analysis.models.limb_difference import KEYS, landing_words, limb_rows
from analysis.models.limb_model import INVOLVED, LimbModel, fit_limb_model, limb_model
from analysis.models.trial_design import repeated_athletes

KIND = "mixed"
ANALYSIS = "limb_difference"


def _table(model: LimbModel) -> pd.DataFrame:
    """Return the rows of a model; athletes and visits are numbered in the order of the rows."""
    names = column_names(len(model.fixed))
    table = pd.DataFrame(
        {
            "response": model.response,
            "half": model.fixed[INVOLVED] - 0.5,
            **dict(zip(names, model.fixed.values(), strict=True)),
        }
    )
    order = order_of(table)
    athlete = model.rows["athlete_id"].iloc[order].astype(str)
    visit = athlete + " " + model.rows["visit"].iloc[order].astype(str)
    return table.iloc[order].assign(
        athlete=pd.factorize(athlete)[0] + 1, visit=pd.factorize(visit)[0] + 1
    )


def _printed(
    estimates: pd.DataFrame, subject: tuple[str, ...], model: LimbModel
) -> tuple[pd.DataFrame, float]:
    """Return the limb difference as the report shows it, and its degrees of freedom."""
    quantity = "ratio" if model.on_log_scale else "mean_difference"
    address = number_id(ANALYSIS, subject, INVOLVED, quantity)
    table = printed_rows(estimates, [address], [INVOLVED], log=model.on_log_scale)
    place = list(model.fixed).index(INVOLVED) + 1
    return table.assign(column=f"x{place}"), float(table["df"].iloc[0])


def _model(
    rows: pd.DataFrame,
    levels: tuple[str, ...],
    estimates: pd.DataFrame,
    plan: Mapping[str, Any],
    visit: str,
) -> ForR:
    metric, sensor, task, landing = levels
    words = (metric, sensor, task, *landing_words(landing))
    subject, level = (ANALYSIS, *words), float(plan["confidence_level"])
    on_log_scale = metric in plan["mixed"]["log_scale"]
    try:
        model = limb_model(rows, plan["cox"]["covariates"], visit, on_log_scale)
        found = fit_limb_model(model, plan["mixed"]["degrees_of_freedom"], level)
    except ModelRefusedError as error:
        return ForR(subject, KIND, reason=str(error))
    if not found.fit.converged:
        return ForR(subject, KIND, reason="our own fit did not converge: nothing to compare")
    printed, df = _printed(estimates, words, model)
    if plan["mixed"]["degrees_of_freedom"] == "kenward-roger":
        printed = printed.iloc[:0]  # their standard errors are not those of lme4
    return ForR(
        subject,
        KIND,
        _table(model),
        settings={
            "slope": found.with_slope,
            "visits": repeated_athletes(model.rows) > 0,
            "df": df,
            "level": level,
        },
        names=tuple(model.fixed),
        fits=(
            Found(
                found.fit.coefficients,
                np.sqrt(np.diag(found.fit.covariance)),
                found.fit.log_likelihood,
            ),
        ),
        printed=printed,
    )


def mixed_for_r(
    metrics: pd.DataFrame,
    cohort: pd.DataFrame,
    estimates: pd.DataFrame,
    plan: Mapping[str, Any],
    clearance_visit: str,
) -> Iterator[ForR]:
    """Yield the mixed models of the limb difference.

    Parameters
    ----------
    cohort
        All enrolled athletes.
    estimates
        Rows of the limb differences; they hold what the report prints.
    """
    for levels, part in grouped(limb_rows(metrics, cohort, plan), KEYS):
        yield _model(part, levels, estimates, plan, clearance_visit)
