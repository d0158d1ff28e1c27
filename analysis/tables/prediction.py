"""Tables: what sample a prediction needs, how well it works in the group, and site by site."""

from __future__ import annotations

from analysis.estimates import number_id
from analysis.labels import sentence_case
from analysis.models.prediction_rows import (
    APPARENT,
    CORRECTED,
    NULL,
    OPTIMISM,
    PERFORMANCE,
    SITES,
    SIZE,
)
from analysis.models.prediction_sites import MEASURES
from analysis.prediction.added_value import ADDED, COMPARED, DISCRIMINATION, REFERENCE, WITH_METRICS
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.tables.cells import interval_cell, interval_cell_or_word, number_or_word
from analysis.tables.journal import Cell, JournalTable, Row

LABELS = {
    "harrell_c": "Concordance, Harrell",
    "uno_c": "Concordance, Uno",
    "auc": "Area under the ROC curve",
    "brier": "Brier score",
    "scaled_brier": "Scaled Brier score",
    "observed_expected": "Observed over expected",
    "calibration_intercept": "Calibration intercept",
    "calibration_slope": "Calibration slope",
}
"""Measure -> its name, in the order of the tables."""

STYLES = dict.fromkeys(LABELS, "two_decimals") | {
    "brier": "three_decimals",
    "scaled_brier": "three_decimals",
}

NOT_DEFINED = "not defined"
_ABSENT = "no prediction was judged"


def subject_of(context: Context) -> str:
    """Return the outcome that is predicted, '' when the plan asks for none."""
    chosen = context.plan["prediction"]
    return chosen["outcome"] if chosen else ""


def model_labels(context: Context) -> dict[str, str]:
    """Return the models in words: what they know."""
    chosen = context.plan["prediction"]
    known = ", ".join(covariate["label"] for covariate in chosen["covariates"])
    return {
        REFERENCE: f"Reference model: {known}",
        WITH_METRICS: "With the landing metrics",
        ADDED: "Added by the landing metrics",
    }


def build_size(context: Context, ledger: Ledger) -> JournalTable:
    """Return what each criterion of sample size asks for, beside what the cohort has."""
    subject = subject_of(context)
    rows = []
    for term, label in (
        ("found", "In this study"),
        ("required", "Needed, all criteria"),
        ("for_shrinkage", "Needed for little shrinkage"),
        ("for_optimism", "Needed for little optimism of the explained variation"),
        ("for_mean_risk", "Needed for a precise mean risk"),
    ):
        addresses = [
            number_id(SIZE, subject, term, name)
            for name in ("athletes", "events", "events_per_parameter")
        ]
        if ledger.holds(addresses[0]):
            rows.append(Row((label, *_sizes(ledger, addresses))))
    chosen = context.plan["prediction"] or {"anticipated_r_squared": 0.0}
    return JournalTable(
        "prediction_size",
        "Prediction: the sample that it needs, and the sample that there is",
        ("Sample", "Athletes", "Events", "Events per parameter"),
        tuple(rows),
        notes=(
            (
                "Criteria of ",
                Exempt("Riley, Snell, Ensor et al. 2019, Stat Med 38:1276", "citation"),
                ", for an explained variation (Cox-Snell) of ",
                setting(chosen["anticipated_r_squared"]),
                ", the event rate and follow-up of this study, and every candidate parameter; the "
                "largest counts.",
            ),
        ),
        absent=_ABSENT,
    )


def _sizes(ledger: Ledger, addresses: list[str]) -> list[Cell]:
    styles = ("count", "whole", "one_decimal")
    return [
        number_or_word(ledger, address, style, "")
        for address, style in zip(addresses, styles, strict=True)
    ]


def _null_cell(ledger: Ledger, subject: str, model: str, measure: str) -> Cell:
    if measure not in DISCRIMINATION:
        return ""
    address = number_id(NULL, subject, model, measure)
    return interval_cell_or_word(ledger, address, STYLES[measure], "")


def build_performance(context: Context, ledger: Ledger) -> JournalTable:
    """Return each measure of the reference model, of that with the metrics, and the difference."""
    subject = subject_of(context)
    rows: list[Row] = []
    if ledger.holds(number_id(PERFORMANCE, subject, "all", "resamples")):
        for model, label in model_labels(context).items():
            rows.append(Row((Exempt(label, "name"),)))
            for measure in COMPARED if model == ADDED else LABELS:
                rows.append(_performance_row(ledger, subject, model, measure))
    return JournalTable(
        "prediction_performance",
        "Prediction: performance in the group, corrected for optimism",
        ("Measure", "Apparent", "Optimism", "Corrected (interval)", "Shuffled outcomes (range)"),
        tuple(rows),
        notes=(
            "Apparent: in the athletes that the model was built from; corrected: less the mean "
            "optimism of models rebuilt in resamples. Harrell's concordance depends on the "
            "censoring of the study, Uno's does not and counts events up to the horizon; half is "
            "chance. Whoever had another end first counts as without the injury in the area under "
            "the ROC curve and in the Brier score. Scaled Brier score: zero is one risk for "
            "everybody, one is perfect. Calibrated: ratio one, intercept zero, slope one.",
            (
                "Intervals at ",
                setting(context.confidence_level),
                ": bootstrap percentiles shifted by the optimism, for calibration normal with the "
                "predictions held fixed and shifted likewise. They are too narrow where models are "
                "refitted to few events. Shuffled outcomes: mean and range of the apparent value "
                "when the same building looks for what is not there; the correction for optimism "
                "leaves some of it.",
            ),
        ),
        absent=_ABSENT,
    )


def _performance_row(ledger: Ledger, subject: str, model: str, measure: str) -> Row:
    address = {
        kind: number_id(PERFORMANCE, subject, (model, kind), measure)
        for kind in (APPARENT, OPTIMISM, CORRECTED)
    }
    style = STYLES[measure]
    return Row(
        (
            LABELS[measure],
            ledger.number(address[APPARENT], style),
            ledger.number(address[OPTIMISM], style),
            interval_cell(ledger, address[CORRECTED], style),
            _null_cell(ledger, subject, model, measure),
        )
    )


_COUNTS = ("n_events", "n_athletes")


def build_sites(context: Context, ledger: Ledger) -> JournalTable:
    """Return the performance at each site of the model that was built at the others."""
    subject = subject_of(context)
    rows = []
    for site, label in context.sites.items():
        held = [number_id(SITES, subject, site, name) for name in MEASURES]
        first = next((address for address in held if ledger.holds(address)), "")
        if not first:
            continue
        cells = [
            interval_cell_or_word(ledger, address, STYLES[name], NOT_DEFINED)
            for name, address in zip(MEASURES, held, strict=True)
        ]
        events, athletes = (ledger.number(first, "count", field=f) for f in _COUNTS)
        rows.append(Row((sentence_case(label), (events, " / ", athletes), *cells)))
    return JournalTable(
        "prediction_sites",
        "Prediction: built without a site, judged at that site",
        ("Site", "Events / athletes", *(LABELS[name] for name in MEASURES)),
        tuple(rows),
        notes=(
            "The model with the landing metrics. Intervals are normal, with the predictions held "
            "fixed. Sites are not pooled: their spread is the message. A site that is not listed "
            "stands under what was not run, with the reason.",
        ),
        absent="at no site could a model of the other sites be judged; the reasons stand under "
        "what was not run",
    )
