"""What R said of the primary models, as rows of `estimates`: differences, limits, verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from analysis.audit.r_files import KIND_OF_LIMITS, RNumbers
from analysis.audit.r_models import FamilyForR, ForR
from analysis.estimates import EstimateFields, Estimates

ANALYSIS = "r_second_opinion"
FAMILY = "adjusted_p_values"
"""Subject of the p-values adjusted over the primary family."""

LIKELIHOOD = "relative_difference_of_log_likelihood"
COEFFICIENT = "largest_difference_in_standard_errors"
STANDARD_ERROR = "largest_relative_difference_of_standard_error"
AS_PRINTED = "largest_difference_of_printed"
TESTS = "largest_difference_of_tests"
UNITS = {
    COEFFICIENT: "standard errors",
    STANDARD_ERROR: "share",
    LIKELIHOOD: "share",
    AS_PRINTED: "standard errors, share or none",
    TESTS: "share or none",
}
"""What R compares, and the unit of its differences."""

_VERDICT = "1 = passed, 0 = failed"


def _limit(quantity: str, package: str, limits: Mapping[str, float]) -> float:
    kind = "log_likelihood" if quantity == LIKELIHOOD else "coefficient"
    return limits[f"{KIND_OF_LIMITS[package]}_{kind}"]


def _compared(
    subject: Sequence[str],
    rows: pd.DataFrame,
    due: set[str],
    limits: Mapping[str, float],
    numbers: Estimates,
    fields: EstimateFields,
) -> None:
    """Add the differences of one model, their limits, and whether all are within them.

    Parameters
    ----------
    due
        Differences that R must have given; without one of them the model does not agree.
    """
    package, version = str(rows["package"].iloc[0]), str(rows["version"].iloc[0])
    lacking = due - set(rows["quantity"])
    within = not lacking
    if "data_sets" in fields:
        numbers.add(subject, "all", "fits", fields["data_sets"], unit="fits", **fields)
    for row in rows.to_dict(orient="records"):
        quantity, value = str(row["quantity"]), float(row["difference"])
        # With two athletes, standard errors can depend on a variance that the data do not
        # determine; those that the report prints are among its numbers.
        if quantity != STANDARD_ERROR:
            # What only one of both has is no number, and is not within any limit.
            within = within and abs(value) <= _limit(quantity, package, limits)
        at = f"; {row['at']}" if row["at"] else ""
        numbers.add(
            subject, "all", quantity, value, unit=UNITS[quantity], note=version + at, **fields
        )
    for name in ("coefficient", "log_likelihood"):
        limit = limits[f"{KIND_OF_LIMITS[package]}_{name}"]
        numbers.add(subject, "all", f"{name}_limit", limit, note=version, **fields)
    note = "; ".join([version, *(f"R gave no {quantity}" for quantity in sorted(lacking))])
    numbers.add(subject, "all", "passed", float(within), unit=_VERDICT, note=note, **fields)


def _due(model: ForR) -> set[str]:
    """Return the differences that R must give of a model."""
    shown = {AS_PRINTED: model.printed, TESTS: model.tests}
    return {COEFFICIENT, LIKELIHOOD, *(name for name, rows in shown.items() if len(rows))}


def _summary(
    models: Sequence[ForR], by_r: pd.DataFrame, limits: Mapping[str, float], numbers: Estimates
) -> None:
    """Add, for each package, how many models and data sets R fitted, and how far it is off."""
    sets = {model.name: len(model.fits) for model in models}
    for package, rows in by_r.groupby("package", sort=True):
        fitted = rows.loc[rows["model"].isin(sets), "model"].unique()
        shared: EstimateFields = {"note": str(rows["version"].iloc[0])}
        subject = ("all", str(package))
        numbers.add(subject, "all", "models", len(fitted), unit="models", **shared)
        fits = sum(sets[name] for name in fitted)
        numbers.add(subject, "all", "fits", fits, unit="fits", **shared)
        for quantity, part in rows.groupby("quantity", sort=True):
            sizes = part["difference"].abs()
            largest = float(sizes.max(skipna=False))
            numbers.add(subject, "all", str(quantity), largest, unit=UNITS[str(quantity)], **shared)
        for name in ("coefficient", "log_likelihood"):
            limit = limits[f"{KIND_OF_LIMITS[str(package)]}_{name}"]
            numbers.add(subject, "all", f"{name}_limit", limit, **shared)


def differences_of(
    models: Sequence[ForR],
    family: FamilyForR,
    said: RNumbers,
    limits: Mapping[str, float],
    numbers: Estimates,
) -> None:
    """Add how far R lies from each model, or why R gave nothing to compare."""
    why = dict(zip(said.refused["model"], said.refused["reason"], strict=True))
    fallback = said.failure or "R gave no estimates of this model"
    parts = {str(name): rows for name, rows in said.differences.groupby("model", sort=False)}
    if not parts and said.failure:
        numbers.not_run("all", said.failure)
        return
    for model in models:
        fields: EstimateFields = {"data_sets": len(model.fits)}
        if model.name in parts:
            _compared(model.subject, parts[model.name], _due(model), limits, numbers, fields)
        else:
            numbers.not_run(model.subject, str(why.get(model.name, fallback)), **fields)
    if family.reason:
        numbers.not_run(FAMILY, family.reason)
    elif family.name in parts:
        _compared((FAMILY,), parts[family.name], {AS_PRINTED}, limits, numbers, {})
    else:
        numbers.not_run(FAMILY, str(why.get(family.name, fallback)))
    _summary(models, said.differences, limits, numbers)


def not_covered(numbers: Estimates, plan: Mapping[str, Any]) -> None:
    """Say which numbers of the primary models R does not find again, and why."""
    kenward_roger = plan["mixed"]["degrees_of_freedom"] == "kenward-roger"
    numbers.not_run(
        "degrees_of_freedom_of_limb_differences",
        "the packages lme4 and nlme have no degrees of freedom by Kenward and Roger, nor their "
        "standard errors: the limb differences printed are not compared, their fits are"
        if kenward_roger
        else "the packages lme4 and nlme have no degrees of freedom by Satterthwaite: limits and "
        "p-values of the limb differences are compared at the study's degrees of freedom",
    )
