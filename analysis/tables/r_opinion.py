"""Table: the primary models fitted by R, and how far it differs."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.audit.r_comparison import (
    ANALYSIS,
    AS_PRINTED,
    COEFFICIENT,
    FAMILY,
    LIKELIHOOD,
    STANDARD_ERROR,
    TESTS,
)
from analysis.estimates import number_id, rows_of
from analysis.labels import analysis_words, metric_label, sentence_case, words
from analysis.models.outcome_model import PRIMARY
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.report.missing_data import handling_words
from analysis.tables.journal import Cell, JournalTable, Part, Row
from analysis.tables.rederived import verdict

_SHOWN = (COEFFICIENT, STANDARD_ERROR, LIKELIHOOD, AS_PRINTED)
_LIMBS = "limb_difference"


def _subjects(context: Context) -> list[tuple[str, ...]]:
    """Return the models that R fitted or was to fit, the hazard models first."""
    known = [
        *rows_of(context.estimates, ANALYSIS, "passed")["subject"],
        *rows_of(context.estimates, ANALYSIS, "not_run")["subject"],
    ]
    models = sorted(tuple(subject.split(".")) for subject in known)
    # The primary models, then the other handling, then the limbs.
    first = [model for model in models if model[0].startswith("cox_")]
    first.sort(key=lambda model: (model[0] != PRIMARY, *model))
    return [*first, *(model for model in models if model[0] == _LIMBS)]


def _label(context: Context, subject: tuple[str, ...]) -> str:
    if subject[0] != _LIMBS:
        return sentence_case(str(context.plan["outcomes"][subject[1]]["label"]))
    _, metric, sensor, task, *landing = subject
    label = context.study["tasks"][task]["label"]
    later = f", {words(landing[0])}" if landing else ""
    return f"{sentence_case(metric_label(metric))}, {words(sensor)}: {label}{later}"


def _row(ledger: Ledger, subject: tuple[str, ...], label: str) -> Row:
    def at(quantity: str) -> str:
        return number_id(ANALYSIS, subject, "all", quantity)

    name = Exempt(label, "name")
    if not ledger.holds(at("passed")):
        return Row((name, "none", *("" for _ in _SHOWN), "not run"))
    fits = ledger.number(at("fits"), "count") if ledger.holds(at("fits")) else ""
    cells: list[Cell] = [
        ledger.number(at(quantity), "scientific") if ledger.holds(at(quantity)) else ""
        for quantity in _SHOWN
    ]
    return Row((name, fits, *cells, verdict(ledger, at("passed"))))


def _rows(context: Context, ledger: Ledger) -> Iterator[Row]:
    group = ""
    for subject in _subjects(context):
        if subject[0] != group:
            group = subject[0]
            gaps = handling_words(context.estimates) if group == PRIMARY else ""
            yield Row((f"{sentence_case(analysis_words(group))} {gaps}".strip(),))
        yield _row(ledger, subject, _label(context, subject))
    if ledger.holds(number_id(ANALYSIS, FAMILY, "all", "passed")):
        yield Row(("P-values",))
        yield _row(ledger, (FAMILY,), "Adjusted over the primary family")


def _by_package(ledger: Ledger, package: str, what: str) -> tuple[Part, ...]:
    """Return how many models a package fitted, and how far it is off at most."""

    def of_all(quantity: str, style: str) -> Part:
        return ledger.number(number_id(ANALYSIS, ("all", package), "all", quantity), style)

    if not ledger.holds(number_id(ANALYSIS, ("all", package), "all", "models")):
        return ()
    tests: tuple[Part, ...] = ()
    if ledger.holds(number_id(ANALYSIS, ("all", package), "all", TESTS)):
        tests = (", tests of proportional hazards by ", of_all(TESTS, "scientific"))
    return (
        "The package ",
        Exempt(package, "name"),
        " fitted ",
        of_all("models", "count"),
        f" {what}, ",
        of_all("fits", "count"),
        " fits: coefficients differ by at most ",
        of_all(COEFFICIENT, "scientific"),
        " of a standard error, numbers printed by ",
        of_all(AS_PRINTED, "scientific"),
        *tests,
        " (limit ",
        of_all("coefficient_limit", "scientific"),
        "), log-likelihoods by ",
        of_all(LIKELIHOOD, "scientific"),
        " of themselves (limit ",
        of_all("log_likelihood_limit", "scientific"),
        "). ",
    )


def _notes(ledger: Ledger) -> tuple[Cell, ...]:
    summary = [
        *_by_package(ledger, "survival", "hazard models"),
        *_by_package(ledger, "lme4", "mixed models"),
        *_by_package(ledger, "nlme", "mixed models"),
    ]
    return (
        *((tuple(summary),) if summary else ()),
        "Where gaps are filled in, R completes each data set from the values measured and drawn, "
        "fits it, and pools by Rubin's rules of its own. Numbers printed: estimate and limits in "
        "standard errors; standard error, degrees of freedom and step as a share of themselves; "
        "p-values and missing information as they are; for a limb difference with the degrees of "
        "freedom of the study, which R's packages lack. The verdict rests on coefficients, "
        "log-likelihoods, printed numbers and tests; not on the standard errors of all columns, "
        "some of which, with very few athletes, depend on a variance that the data do not "
        "determine. The folder r_bundle of the results holds rows and script, so that anyone of "
        "the team can fit the models with R.",
    )


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return the largest differences of each model, and whether they are within their limits."""
    whole = context.estimates["number_id"] == number_id(ANALYSIS, "all", "all", "not_run")
    reasons = context.estimates.loc[whole, "note"].tolist()
    return JournalTable(
        "r_second_opinion",
        "Models fitted by R: its numbers minus those of the study",
        (
            "Model",
            "Fits",
            "Coefficients (standard errors)",
            "Standard errors (share)",
            "Log-likelihood (share)",
            "Numbers printed",
            "Verdict",
        ),
        tuple(_rows(context, ledger)) if not reasons else (),
        notes=_notes(ledger),
        absent=f"not run: {reasons[0]}" if reasons else "no model could be compared",
    )
