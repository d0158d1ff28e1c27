"""Tables: the ladder of force models, and the errors of the kept one by limb, visit and site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analysis.estimates import number_id, terms_of
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Row

ANALYSIS = "force_model"
TITLE = "Force from waist acceleration: errors of the model ladder"
LIMITS_TITLE = "Force from waist acceleration: calibration and limits of agreement of the ladder"
GROUPS_TITLE = "Force from waist acceleration: errors of the kept model by limb, visit and site"
GROUP_LIMITS_TITLE = "Force from waist acceleration: calibration and limits of the kept model"
SCOPES = {"single_leg": "single-leg landings", "whole_body": "two-leg landings, whole body"}
VALIDATIONS = {"athletes_left_out": "athletes left out", "sites_left_out": "sites left out"}
MODELS = {
    "linear": "line on peak acceleration",
    "log_log": "power of peak acceleration",
    "log_log_covariates": "power, with covariates and random athlete",
    "boosting": "boosted trees, all waist metrics",
    "network": "neural network, all waist metrics",
}
"""Name of a model -> its words, simple to complicated."""


@dataclass(frozen=True)
class _Part:
    """One of the tables that show the same rows: what is in its columns, and how it is written."""

    quantities: Mapping[str, tuple[str, str]]
    counted: bool

    @property
    def columns(self) -> tuple[str, ...]:
        """Headings after the first."""
        counts = ("Athletes", "Landings") if self.counted else ()
        return (*counts, *(heading for heading, _ in self.quantities.values()))


_ERRORS = _Part(
    {
        "rmse": ("RMSE, BW (interval)", "two_decimals"),
        "bias": ("Bias, BW (interval)", "two_decimals"),
        "mape": ("Mean error, % (interval)", "one_decimal"),
        "r_squared": ("R squared (interval)", "two_decimals"),
    },
    counted=True,
)
_LIMITS = _Part(
    {
        "calibration_slope": ("Calibration slope (interval)", "two_decimals"),
        "lower_limit": ("Lower limit of agreement, BW (interval)", "two_decimals"),
        "upper_limit": ("Upper limit of agreement, BW (interval)", "two_decimals"),
    },
    counted=False,
)
_ABSENT = "no landing has a force plate and a waist unit"


def model_kept(context: Context, scope: str) -> str:
    """Return the name of the model kept for a scope, '' when none was."""
    rows = context.estimates
    address = number_id(ANALYSIS, scope, "kept", "place_on_ladder")
    found = rows.loc[rows["number_id"] == address, "model"]
    return str(found.iloc[0]) if len(found) else ""


def _scores(ledger: Ledger, scope: str, term: tuple[str, ...], part: _Part) -> tuple[Cell, ...]:
    """Return the cells of one model or group; words where it was not judged."""
    rmse = number_id(ANALYSIS, scope, term, "rmse")
    if not ledger.holds(rmse):
        return tuple("not run" for _ in part.columns)
    counted = ("n_athletes", "n_trials") if part.counted else ()
    return (
        *(ledger.number(rmse, "count", field=field) for field in counted),
        *(
            interval_cell(ledger, number_id(ANALYSIS, scope, term, quantity), style)
            for quantity, (_, style) in part.quantities.items()
        ),
    )


def _heading(scope: str, validation: str) -> Row:
    return Row((f"{sentence_case(SCOPES[scope])}, {VALIDATIONS[validation]}",))


def _judged(context: Context, scope: str, validation: str) -> bool:
    terms = terms_of(context.estimates, ANALYSIS, scope, "rmse")
    return any(term[0] == validation for term in terms)


def _ladder_rows(context: Context, ledger: Ledger, part: _Part) -> tuple[Row, ...]:
    """Return every model, with athletes and with sites left out."""
    rows: list[Row] = []
    for scope in SCOPES:
        kept = model_kept(context, scope)
        for validation in VALIDATIONS:
            if not _judged(context, scope, validation):
                continue
            rows.append(_heading(scope, validation))
            for name in context.plan["force_model"]["models"]:
                label = sentence_case(MODELS[name]) + (", kept" if name == kept else "")
                rows.append(Row((label, *_scores(ledger, scope, (validation, name), part))))
    return tuple(rows)


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the errors of every model of the ladder."""
    return JournalTable(
        "force_model",
        TITLE,
        ("Model", *_ERRORS.columns),
        _ladder_rows(context, ledger, _ERRORS),
        notes=(
            (
                "Error: estimated minus measured. RMSE: root mean square error; mean error: mean "
                "of the absolute error in percent of the measured force; R squared: share of the "
                "variation that is explained, below zero where the mean force would do better. "
                "Covariates: task, limb, sex, body mass and impact speed (of the fall from the "
                "box, or by the waist unit's time of flight). Intervals at ",
                setting(context.confidence_level),
                " from leaving out one athlete at a time. Kept: the simplest model whose error is "
                "within one standard error of the best, with athletes and with sites left out; of "
                "two different answers the simpler. Landings whose waist peak was clipped are left "
                "out of training and of these rows.",
            ),
        ),
        absent=_ABSENT,
    )


def build_limits(context: Context, ledger: Ledger) -> JournalTable:
    """Return calibration and limits of agreement of every model of the ladder."""
    return JournalTable(
        "force_model_limits",
        LIMITS_TITLE,
        ("Model", *_LIMITS.columns),
        _ladder_rows(context, ledger, _LIMITS),
        notes=(
            (
                "Calibration slope: of measured on estimated force, one is best; interval from "
                "leaving out one athlete at a time. Limits of agreement hold for a single landing "
                "of a new athlete (mixed model of the errors, trials nested in visits, limbs and "
                "athletes). Intervals at ",
                setting(context.confidence_level),
                ".",
            ),
        ),
        absent=_ABSENT,
    )


def _group_label(context: Context, grouping: str, level: str) -> str:
    if grouping == "site":
        return f"site {context.sites.get(level, level)}"
    if grouping == "visit":
        return f"{words(level)} visit"
    return words(level)


def _groups(context: Context, scope: str, validation: str, kept: str) -> list[tuple[str, str]]:
    """Return grouping and level of each group of the kept model, in the order of the table."""
    terms = terms_of(context.estimates, ANALYSIS, scope, "rmse")
    order = {"limb": 0, "visit": 1, "site": 2}
    pairs = [
        (term[2], term[3]) for term in terms if term[:2] == (validation, kept) and len(term) == 4
    ]
    return sorted(pairs, key=lambda pair: (order[pair[0]], pair))


def _group_rows(context: Context, ledger: Ledger, part: _Part) -> tuple[Row, ...]:
    """Return the kept model by group, clipped landings last."""
    rows: list[Row] = []
    for scope in SCOPES:
        kept = model_kept(context, scope)
        for validation in VALIDATIONS:
            groups = _groups(context, scope, validation, kept) if kept else []
            if not groups:
                continue
            rows.append(_heading(scope, validation))
            for grouping, level in groups:
                label = sentence_case(_group_label(context, grouping, level))
                term = (validation, kept, grouping, level)
                rows.append(Row((Exempt(label, "name"), *_scores(ledger, scope, term, part))))
            clipped = validation, kept, "clipped"
            if ledger.holds(number_id(ANALYSIS, scope, clipped, "rmse")):
                rows.append(Row(("Waist peak clipped", *_scores(ledger, scope, clipped, part))))
    return tuple(rows)


def build_groups(context: Context, ledger: Ledger) -> JournalTable:
    """Return the errors of the kept model by group."""
    return JournalTable(
        "force_model_groups",
        GROUPS_TITLE,
        ("Landings", *_ERRORS.columns),
        _group_rows(context, ledger, _ERRORS),
        notes=(
            "Columns as in the table of the model ladder. Waist peak clipped: the waist unit was "
            "saturated, so that its peak is too small; these landings never train a model.",
        ),
        absent=_ABSENT,
    )


def build_group_limits(context: Context, ledger: Ledger) -> JournalTable:
    """Return calibration and limits of agreement of the kept model by group."""
    return JournalTable(
        "force_model_group_limits",
        GROUP_LIMITS_TITLE,
        ("Landings", *_LIMITS.columns),
        _group_rows(context, ledger, _LIMITS),
        notes=("Columns as in the table of calibration and limits of the model ladder.",),
        absent=_ABSENT,
    )
