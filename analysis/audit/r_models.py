"""The primary models as data for R: design, random part, and what this study found."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.mixed import ModelRefusedError
from analysis.models.cox_fit import fit_outcome
from analysis.models.grouped import grouped
from analysis.models.limb_difference import KEYS, landing_words, tasks_of_predictors
from analysis.models.limb_model import INVOLVED, fit_limb_model, limb_model
from analysis.models.trial_design import repeated_athletes, with_people
from analysis.survival.errors import SurvivalDataError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ForR:
    """One model for R.

    Attributes
    ----------
    subject : words of its address, e.g. ("cox", "graft_rupture")
    kind : cox or mixed
    table : rows of the model without identifiers; design columns x1, x2 ...
    settings : ties, slope, visits: what R must know beside the table
    names, coefficients, errors : of the design columns, as this study found them
    log_likelihood : partial, or restricted
    reason : why the model is not compared; '' when it is
    """

    subject: tuple[str, ...]
    kind: str
    table: pd.DataFrame
    settings: Mapping[str, Any]
    names: tuple[str, ...]
    coefficients: Array
    errors: Array
    log_likelihood: float
    reason: str = ""

    @property
    def name(self) -> str:
        """The name of the model and of its file."""
        return "_".join(self.subject)


def refused(subject: tuple[str, ...], kind: str, reason: str) -> ForR:
    """Return a model that cannot be compared."""
    none = np.empty(0)
    return ForR(subject, kind, pd.DataFrame(), {}, (), none, none, float("nan"), reason)


def _sorted(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows in an order that tells nothing of the athletes' names."""
    return table.sort_values(list(table.columns), kind="stable", ignore_index=True)


def _columns(matrix: Array) -> dict[str, Array]:
    return {f"x{place}": matrix[:, place - 1] for place in range(1, matrix.shape[1] + 1)}


def cox_for_r(cohort: pd.DataFrame, plan: Mapping[str, Any]) -> Iterator[ForR]:
    """Yield the primary Cox models, of complete cases: pooling is not written for R.

    Parameters
    ----------
    cohort
        Athletes of the landmark cohort.
    """
    for outcome in plan["primary_outcomes"]:
        subject = ("cox", outcome)
        try:
            design, estimate = fit_outcome(cohort, plan["primary"], plan, outcome)
        except SurvivalDataError as error:
            yield refused(subject, "cox", str(error))
            continue
        if not estimate.converged or estimate.notes:
            why = "our own fit has coefficients without finite estimate: nothing to compare"
            yield refused(subject, "cox", why)
            continue
        strata = pd.factorize(design.strata, sort=True)[0] + 1
        table = pd.DataFrame(
            {
                "time": design.time,
                "event": design.event.astype(int),
                "stratum": strata,
                **_columns(design.matrix),
            }
        )
        fit = estimate.fit
        yield ForR(
            subject,
            "cox",
            _sorted(table),
            {"ties": plan["cox"]["ties"]},
            design.names,
            np.asarray(fit.coefficients),
            np.asarray(fit.standard_errors),
            float(fit.log_likelihood),
        )


def _mixed(rows: pd.DataFrame, subject: tuple[str, ...], plan: Mapping[str, Any], visit: str,
           on_log_scale: bool) -> ForR:  # fmt: skip
    try:
        model = limb_model(rows, plan["cox"]["covariates"], visit, on_log_scale)
        found = fit_limb_model(model, "satterthwaite", float(plan["confidence_level"]))
    except ModelRefusedError as error:
        return refused(subject, "mixed", str(error))
    if not found.fit.converged:
        return refused(subject, "mixed", "our own fit did not converge: nothing to compare")
    table = pd.DataFrame(
        {
            "response": model.response,
            "half": model.fixed[INVOLVED] - 0.5,
            **_columns(np.column_stack(list(model.fixed.values()))),
        }
    )
    athlete, known = model.rows["athlete_id"], model.rows
    order = table.assign(a=athlete, v=known["visit"]).sort_values(
        list(table.columns), kind="stable"
    )
    # Numbered by their first row in this order, not by their names.
    table = table.loc[order.index].assign(
        athlete=pd.factorize(order["a"])[0] + 1,
        visit=pd.factorize(order["a"].astype(str) + " " + order["v"].astype(str))[0] + 1,
    )
    return ForR(
        subject,
        "mixed",
        table.reset_index(drop=True),
        {"slope": found.with_slope, "visits": repeated_athletes(model.rows)},
        tuple(model.fixed),
        found.fit.coefficients,
        np.sqrt(np.diag(found.fit.covariance)),
        found.fit.log_likelihood,
    )


def mixed_for_r(
    metrics: pd.DataFrame, cohort: pd.DataFrame, plan: Mapping[str, Any], clearance_visit: str
) -> Iterator[ForR]:
    """Yield the mixed models of the limb difference, in the tasks of the plan's predictors.

    Parameters
    ----------
    cohort
        All enrolled athletes.
    """
    mixed = plan["mixed"]
    tasks = tasks_of_predictors(plan) & set(mixed["tasks"])
    chosen = (
        metrics["limb"].isin(["involved", "uninvolved"])
        & metrics["metric"].isin(mixed["metrics"])
        & metrics["task"].isin(tasks)
    )
    covariates = [covariate["column"] for covariate in plan["cox"]["covariates"]]
    rows = with_people(metrics.loc[chosen], cohort, covariates)
    for (metric, sensor, task, landing), part in grouped(rows, KEYS):
        subject = ("limb_difference", metric, sensor, task, *landing_words(landing))
        yield _mixed(part, subject, plan, clearance_visit, metric in mixed["log_scale"])
