"""Tables: the ladder of force models, and the errors of the kept one by limb, visit and site."""

from __future__ import annotations

from analysis.estimates import number_id, terms_of
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell
from analysis.tables.journal import Cell, JournalTable, Row

ANALYSIS = "force_model"
TITLE = "Force from waist acceleration: model ladder"
GROUPS_TITLE = "Force from waist acceleration: errors of the kept model by limb, visit and site"
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

COLUMNS = (
    "RMSE, BW (interval)",
    "Bias, BW (interval)",
    "Mean error, %",
    "R squared",
    "Calibration slope",
    "Limits of agreement, BW",
    "Athletes",
    "Landings",
)
_ABSENT = "no landing has a force plate and a waist unit"


def model_kept(context: Context, scope: str) -> str:
    """Return the name of the model kept for a scope, '' when none was."""
    rows = context.estimates
    address = number_id(ANALYSIS, scope, "kept", "place_on_ladder")
    found = rows.loc[rows["number_id"] == address, "model"]
    return str(found.iloc[0]) if len(found) else ""


def _scores(ledger: Ledger, scope: str, term: tuple[str, ...]) -> tuple[Cell, ...]:
    """Return the cells of one model or group; a dash of words where it was not judged."""
    address = {
        quantity: number_id(ANALYSIS, scope, term, quantity)
        for quantity in (
            *("rmse", "bias", "mape", "r_squared", "calibration_slope"),
            *("lower_limit", "upper_limit"),
        )
    }
    if not ledger.holds(address["rmse"]):
        return tuple("not run" for _ in COLUMNS)
    rmse = address["rmse"]
    return (
        interval_cell(ledger, rmse, "two_decimals"),
        interval_cell(ledger, address["bias"], "two_decimals"),
        ledger.number(address["mape"], "one_decimal"),
        ledger.number(address["r_squared"], "two_decimals"),
        ledger.number(address["calibration_slope"], "two_decimals"),
        (
            ledger.number(address["lower_limit"], "two_decimals"),
            " to ",
            ledger.number(address["upper_limit"], "two_decimals"),
        ),
        ledger.number(rmse, "count", field="n_athletes"),
        ledger.number(rmse, "count", field="n_trials"),
    )


def _heading(scope: str, validation: str) -> Row:
    return Row((f"{sentence_case(SCOPES[scope])}, {VALIDATIONS[validation]}",))


def _judged(context: Context, scope: str, validation: str) -> bool:
    terms = terms_of(context.estimates, ANALYSIS, scope, "rmse")
    return any(term[0] == validation for term in terms)


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the ladder: every model, with athletes and with sites left out."""
    rows: list[Row] = []
    for scope in SCOPES:
        kept = model_kept(context, scope)
        for validation in VALIDATIONS:
            if not _judged(context, scope, validation):
                continue
            rows.append(_heading(scope, validation))
            for name in context.plan["force_model"]["models"]:
                label = sentence_case(MODELS[name]) + (", kept" if name == kept else "")
                rows.append(Row((label, *_scores(ledger, scope, (validation, name)))))
    return JournalTable(
        "force_model",
        TITLE,
        ("Model", *COLUMNS),
        tuple(rows),
        notes=(
            (
                "Error: estimated minus measured. RMSE: root mean square error; mean error: mean "
                "of the absolute error in percent of the measured force; calibration slope: of "
                "measured on estimated force, one is best. Intervals at ",
                setting(context.confidence_level),
                " from leaving out one athlete at a time; limits of agreement hold for a single "
                "landing of a new athlete. Kept: the simplest model whose error is within one "
                "standard error of the best, with athletes and with sites left out; of two "
                "different answers the simpler. Landings whose waist peak was clipped are left "
                "out of training and of these rows.",
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


def build_groups(context: Context, ledger: Ledger) -> JournalTable:
    """Return the errors of the kept model by group, clipped landings last."""
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
                rows.append(Row((Exempt(label, "name"), *_scores(ledger, scope, term))))
            clipped = validation, kept, "clipped"
            if ledger.holds(number_id(ANALYSIS, scope, clipped, "rmse")):
                rows.append(Row(("Waist peak clipped", *_scores(ledger, scope, clipped))))
    return JournalTable(
        "force_model_groups",
        GROUPS_TITLE,
        ("Landings", *COLUMNS),
        tuple(rows),
        notes=(
            "Columns as in the table of the model ladder. Waist peak clipped: the waist unit was "
            "saturated, so that its peak is too small; these landings never train a model.",
        ),
        absent=_ABSENT,
    )
