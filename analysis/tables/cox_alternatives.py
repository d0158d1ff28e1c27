"""Tables: what other models say of the question that the primary ones answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.estimates import number_id
from analysis.labels import sentence_case
from analysis.models.choices import choices
from analysis.models.knee_level import ANALYSIS as KNEES
from analysis.models.knee_level import FRAILTY
from analysis.models.knee_level import OUTCOME as OF_KNEE
from analysis.models.subdistribution import ANALYSIS as SUBDISTRIBUTION
from analysis.models.subdistribution import STEPS
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, setting
from analysis.report.numerals import NO_BREAK_SPACE
from analysis.tables.cells import (
    interval_cell,
    interval_cell_or_word,
    number_or_word,
    predictor_label,
)
from analysis.tables.journal import Cell, JournalTable, Part, Row

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
        cells = [number_or_word(ledger, address, "p", field="p") for address in tests]
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
            heading = Row((context.outcome_label(outcome),))
            lines += [heading, *_choice_rows(context, ledger, outcome)]
    least = context.plan["sensitivity"]["specifications"]["least_events_per_coefficient"]
    return JournalTable(
        "specifications",
        "Primary hazard ratios under one other choice at a time",
        (
            "Choice",
            *(predictor_label(item) for item in context.plan["primary"]),
            "Events / athletes",
        ),
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
                    number_or_word(ledger, spread, "two_decimals"),
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
            predictor_label(predictor),
            interval_cell(ledger, ratio, "ratio"),
            ledger.number(ratio, "p", field="p"),
            *(number_or_word(ledger, address, "percent") for address in incidences),
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
            lines += [Row((context.outcome_label(outcome),)), *found]
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
