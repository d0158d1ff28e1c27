"""The primary Cox models as data for R, by both handlings of missing values."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from analysis.audit.r_models import (
    TESTED,
    FamilyForR,
    ForR,
    Found,
    column_names,
    order_of,
    printed_rows,
)
from analysis.estimates import number_id
from analysis.models.filled_cohort import FilledCohort
from analysis.models.outcome_model import (
    PRIMARY,
    OutcomeModel,
    analysis_of,
    other_handling,
    primary_model,
    sensitivity_model,
)
from analysis.survival.errors import SurvivalDataError

KIND = "cox"
FAMILY = "primary"
NO_FIRTH = "the package survival has no penalty of Firth, by which the study estimates"
NOT_FINITE = "our own fit has coefficients without finite estimate: nothing to compare"

ModelOf = Callable[[FilledCohort, Mapping[str, Any], str], OutcomeModel]


def cox_analyses(plan: Mapping[str, Any]) -> dict[str, ModelOf]:
    """Return the analyses of the primary models, the planned one first, and who fits them."""
    return {PRIMARY: primary_model, analysis_of(other_handling(plan), plan): sensitivity_model}


def _rows(model: OutcomeModel, measured: pd.DataFrame) -> pd.DataFrame:
    """Return time, event, stratum, metrics as measured and the other columns of the design."""
    design = model.design
    names, metrics = column_names(len(design.terms)), design.n_predictors
    columns = [term.variable.column for term in design.terms[:metrics]]
    own = measured.set_index("athlete_id").loc[design.rows["athlete_id"], columns]
    return pd.DataFrame(
        {
            "time": design.time,
            "event": design.event.astype(int),
            "stratum": pd.factorize(design.strata, sort=True)[0] + 1,
            **dict(zip(names, own.to_numpy(float).T, strict=False)),
            **dict(zip(names[metrics:], design.matrix[:, metrics:].T, strict=True)),
        }
    )


def _drawn(model: OutcomeModel, filled: FilledCohort, ids: pd.Series) -> pd.DataFrame:
    """Return the values drawn for the rows `ids` of a pooled model, none for another."""
    terms = model.terms[: model.design.n_predictors]
    columns = dict(zip([t.variable.column for t in terms], column_names(len(terms)), strict=True))
    chosen = filled.filled["athlete_id"].isin(ids) & filled.filled["predictor"].isin(columns)
    drawn = filled.filled.loc[chosen & bool(model.pooled)]
    table = pd.DataFrame(
        {
            "data_set": drawn["data_set"].to_numpy(dtype=int),
            "row": pd.Index(ids).get_indexer(drawn["athlete_id"]) + 1,
            "column": drawn["predictor"].map(columns).to_numpy(),
            "value": drawn["value"].to_numpy(dtype=float),
        }
    )
    return table.sort_values(["data_set", "row", "column"], kind="stable", ignore_index=True)


def _printed(
    model: OutcomeModel, estimates: pd.DataFrame, analysis: str, outcome: str
) -> pd.DataFrame:
    """Return the hazard ratios of a model as logarithms, with the step of each metric."""
    design = model.design
    terms = [design.address(name) for name in design.names]
    ids = [number_id(analysis, outcome, term, "hazard_ratio") for term in terms]
    table = printed_rows(estimates, ids, design.names, log=True)
    steps = [number_id(analysis, outcome, term, "standard_deviation") for term in terms]
    known = estimates.set_index("number_id").reindex(steps)["estimate"]
    table["step"] = known.to_numpy(dtype=float, na_value=np.nan)
    # An interval by the normal curve is one by Student's t without end to its degrees of freedom.
    table["df"] = table["df"] if model.pooled else np.inf
    return table.assign(column=column_names(len(terms)))


def _tests(
    model: OutcomeModel, estimates: pd.DataFrame, analysis: str, outcome: str
) -> pd.DataFrame:
    """Return the tests of proportional hazards, of each term and of all; none if not made."""
    names = [*model.design.names, "global"]
    ids = [
        number_id(analysis, outcome, model.design.address(name), "proportional_hazards_test")
        for name in names
    ]
    rows = estimates.set_index("number_id")
    held = rows.reindex(ids)[["statistic", "p"]].reset_index(drop=True)
    columns = [*column_names(len(model.terms)), "GLOBAL"]
    table = held.astype("float64").assign(column=columns, term=names)[list(TESTED)]
    return table if set(ids) & set(rows.index) else table.iloc[:0]


def _model(
    analysis: str,
    outcome: str,
    model: OutcomeModel,
    filled: FilledCohort,
    estimates: pd.DataFrame,
    plan: Mapping[str, Any],
) -> ForR:
    subject = (analysis, outcome)
    if any(not each.fit.converged or each.notes for _, each in model.fits):
        return ForR(subject, KIND, reason=NOT_FINITE)
    rows = _rows(model, filled.measured)
    order = order_of(rows)
    ids = model.design.rows["athlete_id"].iloc[order].reset_index(drop=True)
    return ForR(
        subject,
        KIND,
        rows.iloc[order],
        _drawn(model, filled, ids),
        {
            "predictors": model.design.n_predictors,
            "family": FAMILY if analysis == PRIMARY else "",
            "ties": plan["cox"]["ties"],
            "df": model.complete_df,
            "level": float(plan["confidence_level"]),
        },
        model.design.names,
        tuple(
            Found(each.fit.coefficients, each.fit.standard_errors, float(each.fit.log_likelihood))
            for _, each in model.fits
        ),
        _printed(model, estimates, analysis, outcome),
        _tests(model, estimates, analysis, outcome),
    )


def cox_for_r(
    filled: FilledCohort, estimates: pd.DataFrame, plan: Mapping[str, Any]
) -> Iterator[ForR]:
    """Yield the primary Cox models as planned, then by the other handling of missing values.

    Parameters
    ----------
    estimates
        Rows of the Cox models; they hold what the report prints.
    """
    for analysis, model_of in cox_analyses(plan).items():
        for outcome in plan["primary_outcomes"]:
            if plan["cox"]["penalty"] != "none":
                yield ForR((analysis, outcome), KIND, reason=NO_FIRTH)
                continue
            try:
                model = model_of(filled, plan, outcome)
            except SurvivalDataError as error:
                yield ForR((analysis, outcome), KIND, reason=str(error))
                continue
            yield _model(analysis, outcome, model, filled, estimates, plan)


def family_for_r(
    models: list[ForR], estimates: pd.DataFrame, plan: Mapping[str, Any]
) -> FamilyForR:
    """Return the family of p-values of the primary models.

    R needs all p-values of a family to adjust one of them.
    """
    size = len(plan["primary_outcomes"]) * len(plan["primary"])
    bundled = sum(
        int(model.printed["p_adjusted"].notna().sum())
        for model in models
        if model.subject[0] == PRIMARY and not model.reason
    )
    held = int(estimates.loc[estimates["analysis"] == PRIMARY, "p_adjusted"].notna().sum())
    reason = ""
    if held == 0:
        reason = "no p-value of the family was adjusted"
    elif bundled < held:
        reason = "a model of the family is not compared, and R needs all of its p-values"
    return FamilyForR(FAMILY, plan["multiplicity"], size, reason)
