"""Tables: checks of the mixed models of the limb difference."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pandas as pd

from analysis.estimates import number_id
from analysis.figures.limb_differences import RATIO, limb_rows, situation, style_of
from analysis.labels import metric_label, sentence_case, unit_shown
from analysis.models.limb_checks import ANALYSIS, BY_LIMB, BY_VISIT
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Row

TITLE = "Checks of the mixed models of the limb difference"
VARIANCES_TITLE = "Variation in the models of the limb difference, with profile intervals"

_TERMS = (
    ("athlete", "intercept", "athletes"),
    ("athlete", "involved", "the limb difference of athletes"),
    ("visit_in_athlete", "intercept", "visits of an athlete"),
    ("residual", "all", "trials"),
)


def _subject(row: pd.Series) -> tuple[str, ...]:
    return tuple(row["subject"].split("."))


def _number(ledger: Ledger, row: pd.Series, term: object, quantity: str, style: str) -> Cell:
    address = number_id(ANALYSIS, _subject(row), term, quantity)  # type: ignore[arg-type]
    return ledger.number(address, style) if ledger.holds(address) else "not run"


def _test(ledger: Ledger, row: pd.Series, term: str) -> Cell:
    address = number_id(ANALYSIS, _subject(row), term, "likelihood_ratio_test")
    return ledger.number(address, "p", field="p") if ledger.holds(address) else "not run"


def _state(context: Context, row: pd.Series) -> str:
    rows = context.estimates
    fit = rows.loc[
        (rows["analysis"] == ANALYSIS)
        & (rows["subject"] == row["subject"])
        & rows["estimation"].isin(["REML", "ML"])
    ]
    words = [] if fit["converged"].all() else ["a fit did not converge"]
    words += ["a variance is zero in a fit"] if fit["singular"].any() else []
    return "; ".join(words) or "sound"


def _row(context: Context, row: pd.Series, ledger: Ledger) -> Row:
    tasks = {code: task["label"] for code, task in context.study["tasks"].items()}
    quantity = "ratio" if row["quantity"] == RATIO else "mean_difference"
    roger = number_id(ANALYSIS, _subject(row), ("involved", "kenward_roger"), quantity)
    by_limb = number_id(ANALYSIS, _subject(row), ("involved", BY_LIMB), quantity)
    return Row(
        (
            situation(row, tasks),
            _test(ledger, row, BY_VISIT),
            _test(ledger, row, BY_LIMB),
            interval_cell(ledger, by_limb, style_of(row)) if ledger.holds(by_limb) else "not run",
            interval_cell(ledger, roger, style_of(row)) if ledger.holds(roger) else "not run",
            _number(ledger, row, "influence", "largest_change", "two_decimals"),
        )
    )


def _residual_row(context: Context, row: pd.Series, ledger: Ledger) -> Row:
    tasks = {code: task["label"] for code, task in context.study["tasks"].items()}
    return Row(
        (
            situation(row, tasks),
            _number(ledger, row, "residuals", "share_beyond_three_sd", "percent"),
            _number(ledger, row, "residuals", "spread_against_fitted", "two_decimals"),
            _number(ledger, row, ("predicted", "involved"), "mean_reliability", "two_decimals"),
            _state(context, row),
        )
    )


def _checked(context: Context) -> pd.DataFrame:
    rows = limb_rows(context.estimates, context.plan)
    checked = context.estimates.loc[context.estimates["analysis"] == ANALYSIS, "subject"]
    return rows.loc[rows["subject"].isin(set(checked))]


def _by_metric(
    context: Context, ledger: Ledger, row_of: Callable[[Context, pd.Series, Ledger], Row]
) -> Iterator[Row]:
    for metric, of_metric in _checked(context).groupby("metric", sort=False):
        yield Row((Exempt(sentence_case(metric_label(str(metric))), "name"),))
        for _, row in of_metric.iterrows():
            yield row_of(context, row, ledger)


def build_residuals(context: Context, ledger: Ledger) -> JournalTable:
    """Return residuals, reliability of predictions and state of the fits of each model."""
    return JournalTable(
        "limb_residuals",
        "Residuals and predictions of the mixed models of the limb difference",
        (
            "Task and sensor",
            "Residuals beyond three SD",
            "Spread against fitted value",
            "Reliability of predicted limb differences",
            "Fits",
        ),
        tuple(_by_metric(context, ledger, _residual_row)),
        notes=(
            "Residuals are made independent by the model's covariance; about a quarter of a "
            "percent of a normal distribution lies beyond three standard deviations (SD). Spread "
            "against fitted value: rank correlation, zero where the spread does not grow with the "
            "value. Reliability of predictions: mean over athletes; not run where the model has no "
            "limb difference of athletes.",
        ),
        absent="no limb model was checked",
    )


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return tests, other methods and influence of each model."""
    return JournalTable(
        "limb_checks",
        TITLE,
        (
            "Task and sensor",
            "Limb difference changes between visits, p",
            "Limbs differ in residual variance, p",
            "Limb difference, a residual variance per limb",
            "Limb difference by Kenward-Roger",
            "Largest change without one athlete, SE",
        ),
        tuple(_by_metric(context, ledger, _row)),
        notes=(
            (
                "The estimates of the table of limb differences stand; these are checks. p: "
                "likelihood-ratio tests of fits by maximum likelihood, not adjusted for their "
                "number. Intervals at ",
                setting(context.confidence_level),
                ", REML; degrees of freedom by Satterthwaite, and beside it by Kenward and Roger. "
                "Largest change: of the limb difference when any one athlete is left out, in "
                "standard errors (SE).",
            ),
        ),
        absent="no limb model was checked",
    )


def _variance_rows(row: pd.Series, ledger: Ledger) -> list[Row]:
    found = []
    for term, column, label in _TERMS:
        profile = number_id(
            ANALYSIS, _subject(row), ("profile", term, column), "standard_deviation"
        )
        if not ledger.holds(profile):
            continue
        drawn = number_id(
            ANALYSIS, _subject(row), ("bootstrap", term, column), "standard_deviation"
        )
        cell = interval_cell(ledger, drawn, "measure") if ledger.holds(drawn) else "not planned"
        found.append(Row((sentence_case(label), interval_cell(ledger, profile, "measure"), cell)))
    return found


def build_variances(context: Context, ledger: Ledger) -> JournalTable:
    """Return standard deviations with profile and bootstrap intervals, plan's predictors only."""
    tasks = {code: task["label"] for code, task in context.study["tasks"].items()}
    rows: list[Row] = []
    for _, row in _checked(context).iterrows():
        lines = _variance_rows(row, ledger)
        if not lines:
            continue
        scale = "log scale" if row["quantity"] == RATIO else unit_shown(row["unit"])
        label = f"{sentence_case(metric_label(row['metric']))}: {situation(row, tasks)} ({scale})"
        rows += [Row((Exempt(label, "name"),)), *lines]
    return JournalTable(
        "limb_variances",
        VARIANCES_TITLE,
        ("SD between", "Maximum likelihood, profile interval", "REML, bootstrap interval"),
        tuple(rows),
        notes=(
            (
                "Models of the plan's predictors. Intervals at ",
                setting(context.confidence_level),
                "; a lower limit of zero says that the variation may be none. Bootstrap: "
                "parametric, percentiles, of the limb difference of the primary metrics only.",
            ),
        ),
        absent="no limb model belongs to a predictor of the plan",
    )
