"""Table: the primary models fitted by R, and how far it differs."""

from __future__ import annotations

from analysis.audit.r_bundle import ANALYSIS
from analysis.estimates import number_id, subjects_of
from analysis.labels import metric_label, sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.journal import JournalTable, Row
from analysis.tables.rederived import verdict


def _label(context: Context, subject: tuple[str, ...]) -> str:
    if subject[0] == "cox":
        return f"Cox model, {context.plan['outcomes'][subject[1]]['label']}"
    _, metric, sensor, task, *landing = subject
    label = context.study["tasks"][task]["label"]
    later = f", {words(landing[0])}" if landing else ""
    return f"{sentence_case(metric_label(metric))}, {words(sensor)}: {label}{later}"


def _row(context: Context, ledger: Ledger, subject: tuple[str, ...]) -> Row:
    def at(quantity: str) -> str:
        return number_id(ANALYSIS, subject, "all", quantity)

    shown = (
        "largest_difference_in_standard_errors",
        "largest_relative_difference_of_standard_error",
        "relative_difference_of_log_likelihood",
    )
    cells = [ledger.number(at(quantity), "scientific") for quantity in shown]
    return Row((Exempt(_label(context, subject), "name"), *cells, verdict(ledger, at("passed"))))


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the largest differences of each model, and whether they are within their limits."""
    subjects = list(subjects_of(context.estimates, ANALYSIS, "all", "passed"))
    rows = tuple(_row(context, ledger, subject) for subject in subjects)
    whole = context.estimates["number_id"] == number_id(ANALYSIS, "all", "all", "not_run")
    reasons = context.estimates.loc[whole, "note"].tolist()
    return JournalTable(
        "r_second_opinion",
        "Models fitted by R: its estimate minus ours",
        (
            "Model",
            "Largest difference of a coefficient, in our standard errors",
            "Largest relative difference of a standard error",
            "Relative difference of the log-likelihood",
            "Verdict",
        ),
        rows,
        notes=(
            (
                "Cox models, of complete cases, by the package survival, mixed models by ",
                Exempt("lme4", "name"),
                " (or by nlme where that is not installed). The folder r_bundle of the results "
                "holds rows and script, so that anyone of the team can fit them with R.",
            ),
        ),
        absent=f"not run: {reasons[0]}" if reasons else "no model could be compared",
    )
