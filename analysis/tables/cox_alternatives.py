"""Tables: how the primary models fit, and what other models of the same question say."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.estimates import number_id
from analysis.labels import sentence_case
from analysis.models.choices import choices
from analysis.models.cox_diagnostics import ANALYSIS as DIAGNOSTICS
from analysis.models.cox_diagnostics import COLLINEARITY, THIRDS
from analysis.models.knee_level import ANALYSIS as KNEES
from analysis.models.knee_level import FRAILTY
from analysis.models.knee_level import OUTCOME as OF_KNEE
from analysis.models.subdistribution import ANALYSIS as SUBDISTRIBUTION
from analysis.models.subdistribution import STEPS
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.tables.cells import interval_cell, interval_cell_or_word
from analysis.tables.journal import Cell, JournalTable, Part, Row

NOT_RUN = "not run"


def _cell(ledger: Ledger, address: str, style: str, field: str = "estimate") -> Cell:
    return ledger.number(address, style, field=field) if ledger.holds(address) else NOT_RUN


def _label(predictor: dict[str, Any]) -> Exempt:
    return Exempt(sentence_case(predictor["label"]), "name")


def _outcome_label(context: Context, outcome: str) -> str:
    return sentence_case(context.plan["outcomes"][outcome]["label"])


# How the primary models fit


def _fit_in_brief(context: Context, ledger: Ledger, outcome: str) -> Cell:
    parts: list[Part] = [_outcome_label(context, outcome)]
    tested = number_id("cox_primary", outcome, "global", "proportional_hazards_test")
    deviance, diverging = (
        number_id(DIAGNOSTICS, outcome, "all", quantity)
        for quantity in ("largest_deviance_residual", "diverging_terms")
    )
    for words, address, style, field in (
        ("terms without finite estimate", diverging, "count", "estimate"),
        ("proportional hazards of all terms, p", tested, "p", "p"),
        ("largest deviance residual", deviance, "one_decimal", "estimate"),
    ):
        if ledger.holds(address):
            parts += [f"; {words}{NO_BREAK_SPACE}", ledger.number(address, style, field=field)]
    return tuple(parts)


def _diagnostic_row(ledger: Ledger, outcome: str, predictor: dict[str, Any]) -> Row:
    name = predictor["name"]
    cells = [
        _cell(ledger, number_id(DIAGNOSTICS, outcome, name, quantity), style)
        for quantity, style in (
            ("variance_inflation_factor", "two_decimals"),
            ("minimal_detectable_hazard_ratio", "ratio"),
            ("largest_influence", "two_decimals"),
            ("correlation_with_time", "two_decimals"),
        )
    ]
    excess = [
        number_id(DIAGNOSTICS, outcome, (name, third), "observed_minus_expected_events")
        for third in THIRDS
    ]
    return Row(
        (_label(predictor), *cells, *(_cell(ledger, item, "one_decimal") for item in excess))
    )


def build_diagnostics(context: Context, ledger: Ledger) -> JournalTable:
    """Return, for the primary models, collinearity, influence, and residuals by group."""
    lines: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        if ledger.holds(number_id(DIAGNOSTICS, outcome, "all", "diverging_terms")):
            lines.append(Row((_fit_in_brief(context, ledger, outcome),)))
            lines += [
                _diagnostic_row(ledger, outcome, predictor) for predictor in context.plan["primary"]
            ]
    return JournalTable(
        "diagnostics",
        "How the primary models fit",
        (
            "Metric",
            "Variance inflation",
            "Detectable hazard ratio",
            "Largest change by one athlete, standard errors",
            "Trend over follow-up",
            "Events beyond expected: lower third",
            "Middle third",
            "Upper third",
        ),
        tuple(lines),
        notes=(
            (
                "Variance inflation: by the other terms of the model; one means none. Detectable: "
                "with a power of ",
                setting(context.power),
                " beside the other terms; as far from one as this, or further. Largest change: of "
                "the log hazard ratio, had any one athlete been left out (dfbeta). Trend: "
                "correlation of scaled Schoenfeld residuals with follow-up; above zero the hazard "
                "ratio rises. Events beyond expected: sums of martingale residuals over thirds of "
                "the athletes by the metric; a bend from third to third speaks against a straight "
                "line. With few events all of these are rough. All but the test of proportional "
                "hazards are of complete cases.",
            ),
        ),
        absent="no primary model was run",
    )


def build_correlations(context: Context, ledger: Ledger) -> JournalTable:
    """Return the correlations of all metrics of the plan, pair by pair."""
    predictors = context.predictors
    lines = []
    for place, one in enumerate(predictors):
        for two in predictors[place + 1 :]:
            address = number_id(COLLINEARITY, one["name"], two["name"], "correlation")
            if ledger.holds(address):
                cell = interval_cell(ledger, address, "two_decimals")
                athletes = ledger.number(address, "count", field="n_athletes")
                lines.append(Row((_label(one), _label(two), cell, athletes)))
    return JournalTable(
        "correlations",
        "Correlation of the metrics at clearance",
        ("Metric", "With", "Correlation", "Athletes"),
        tuple(lines),
        notes=(
            (
                "Pearson's coefficient with intervals at ",
                setting(context.confidence_level),
                " by Fisher's transformation, athletes who have both metrics.",
            ),
        ),
        absent="no two metrics could be correlated",
    )


# The primary models under one other choice


def _events_cell(ledger: Ledger, addresses: Sequence[str]) -> Cell:
    held = [address for address in addresses if ledger.holds(address)]
    if not held:
        return ""
    events, athletes = (
        ledger.number(held[0], "count", field=field) for field in ("n_events", "n_athletes")
    )
    return (events, f"{NO_BREAK_SPACE}/{NO_BREAK_SPACE}", athletes)


def _choice_rows(context: Context, ledger: Ledger, outcome: str) -> list[Row]:
    names = [predictor["name"] for predictor in context.plan["primary"]]
    rows = []
    for choice in choices(context.plan):
        addresses = [choice.address(outcome, name) for name in names]
        cells = [interval_cell_or_word(ledger, address, "ratio") for address in addresses]
        rows.append(Row((setting(choice.words), *cells, _events_cell(ledger, addresses))))
    tests = [
        number_id("cox_specifications", outcome, ("periods", name), "equal_hazard_ratios_test")
        for name in names
    ]
    if any(map(ledger.holds, tests)):
        cells = [_cell(ledger, address, "p", "p") for address in tests]
        rows.append(Row(("The two periods differ, p", *cells, "")))
    return rows


def build_specifications(context: Context, ledger: Ledger) -> JournalTable:
    """Return the primary hazard ratios under one other choice at a time."""
    lines: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        if any(
            ledger.holds(choice.address(outcome, predictor["name"]))
            for choice in choices(context.plan)
            for predictor in context.plan["primary"]
        ):
            heading = Row((_outcome_label(context, outcome),))
            lines += [heading, *_choice_rows(context, ledger, outcome)]
    least = context.plan["sensitivity"]["specifications"]["least_events_per_coefficient"]
    return JournalTable(
        "specifications",
        "Primary hazard ratios under one other choice at a time",
        ("Choice", *(_label(item) for item in context.plan["primary"]), "Events / athletes"),
        tuple(lines),
        notes=(
            (
                "Hazard ratios per standard deviation among the athletes of the primary model, "
                "with intervals at ",
                setting(context.confidence_level),
                ". A model with fewer than ",
                setting(least),
                " events per coefficient is not run. Ridge estimates are shrunk towards one and "
                "have no interval. Missing and clipped values are handled as in the planned model. "
                "All choices were named in the plan; none replaces the primary "
                "result, and no p-value is adjusted.",
            ),
        ),
        absent="no primary model was run",
    )


# Knees, and absolute risk


def build_knees(context: Context, ledger: Ledger) -> JournalTable:
    """Return hazard ratios of a knee's own metric for its own injury."""
    lines = []
    for predictor in context.plan["primary"]:
        address = number_id(KNEES, OF_KNEE, predictor["name"], "hazard_ratio")
        if not ledger.holds(address):
            continue
        spread = number_id(KNEES, OF_KNEE, predictor["name"], "ratio_of_standard_errors")
        shared = number_id(FRAILTY, OF_KNEE, predictor["name"], "hazard_ratio")
        lines.append(
            Row(
                (
                    Exempt(sentence_case(predictor["label"].split(",")[0]), "name"),
                    interval_cell(ledger, address, "ratio"),
                    ledger.number(address, "p", field="p"),
                    _cell(ledger, spread, "two_decimals"),
                    interval_cell_or_word(ledger, shared, "ratio"),
                    _events_cell(ledger, [address]),
                )
            )
        )
    theta = number_id(FRAILTY, OF_KNEE, "all", "frailty_variance")
    variance: list[Part] = []
    if ledger.holds(theta):
        variance = [" Its variance is ", ledger.number(theta, "two_decimals"), "."]
    return JournalTable(
        "knees",
        "Both knees of each athlete: a knee's metric and its own injury",
        (
            "Metric",
            "Hazard ratio",
            "p",
            "Standard error, clustered over model-based",
            "With a frailty of the athlete",
            "Events / athletes",
        ),
        tuple(lines),
        notes=(
            (
                "Complete cases. Per standard deviation over knees, with intervals at ",
                setting(context.confidence_level),
                "; involved and uninvolved knees have baseline hazards of their own, and the "
                "variance counts the two knees of an athlete as one. A metric of both limbs "
                "together is the same for both knees. Observation of both knees ends with the "
                "first injury, so that a frailty of the athlete can hardly be told from a change "
                "of the hazard over time.",
                *variance,
            ),
        ),
        absent="the model of knees was not run",
    )


def _subdistribution_row(ledger: Ledger, outcome: str, predictor: dict[str, Any]) -> Row:
    name = predictor["name"]
    ratio = number_id(SUBDISTRIBUTION, outcome, name, "subdistribution_hazard_ratio")
    incidences = [
        number_id(SUBDISTRIBUTION, outcome, (name, step), "cumulative_incidence")
        for step, _ in STEPS
    ]
    return Row(
        (
            _label(predictor),
            interval_cell(ledger, ratio, "ratio"),
            ledger.number(ratio, "p", field="p"),
            *(_cell(ledger, address, "percent") for address in incidences),
        )
    )


def build_subdistribution(context: Context, ledger: Ledger) -> JournalTable:
    """Return what the metrics say of absolute risk: Fine-Gray models."""
    lines: list[Row] = []
    for outcome in context.plan["primary_outcomes"]:
        found = [
            _subdistribution_row(ledger, outcome, predictor)
            for predictor in context.plan["primary"]
            if ledger.holds(
                number_id(
                    SUBDISTRIBUTION, outcome, predictor["name"], "subdistribution_hazard_ratio"
                )
            )
        ]
        if found:
            lines += [Row((_outcome_label(context, outcome),)), *found]
    return JournalTable(
        "subdistribution",
        "Absolute risk: subdistribution hazards by the method of Fine and Gray",
        (
            "Metric",
            "Subdistribution hazard ratio",
            "p",
            "Incidence, metric one SD below its mean",
            "Incidence, one SD above",
        ),
        tuple(lines),
        notes=(
            (
                "Complete cases. With intervals at ",
                setting(context.confidence_level),
                "; incidences at ",
                setting(f"{context.plan['horizon_days']:g} days"),
                " with all other terms at their means, of groups and not of a person, without "
                "interval. These models answer how the share of injured athletes differs, in which "
                "the other ends of observation have their part. They do not answer how the rate of "
                "injury differs: for that the cause-specific models stand. The sum of such "
                "incidences over the injuries may exceed one.",
            ),
        ),
        absent="no model of absolute risk was run",
    )
