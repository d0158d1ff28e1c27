"""The study in brief: sentences whose numbers are estimates by address, and whose words follow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from analysis.estimates import number_id
from analysis.labels import sentence_case
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, phrase, setting
from analysis.report.missing_data import handling_words, stand_in
from analysis.report.names import names_of, readable
from analysis.tables.incidence import incidence_address

_LIMITS = ("estimate", "ci_low", "ci_high")


def not_run(context: Context, analysis: str) -> str:
    """Return why an analysis was not run, '' when it ran or nothing is known of it."""
    rows = context.estimates
    refused = rows.loc[
        rows["analysis"].str.startswith(analysis) & (rows["quantity"] == "not_run"), "note"
    ]
    ran = rows["analysis"].str.startswith(analysis) & (rows["quantity"] != "not_run")
    return "" if ran.any() or refused.empty else str(refused.iloc[0])


def _who(context: Context, ledger: Ledger) -> Markup:
    return phrase(
        "{} athletes were enrolled at {}; {} of them were cleared for sport, free of a second "
        "injury and under observation, and form the cohort.",
        ledger.number(number_id("flow", "enrolled", "", "count"), "count"),
        ", ".join(context.sites.values()),
        ledger.number(number_id("flow", "landmark_cohort", "", "count"), "count"),
    )


def _followed(ledger: Ledger) -> Markup | None:
    median = number_id("follow_up", "all", "median", "follow_up_days")
    complete = number_id("follow_up", "all", "all", "completeness")
    if not ledger.holds(median) or not ledger.holds(complete):
        return None
    return phrase(
        "Median follow-up was {} days; {} of the possible follow-up time was observed.",
        ledger.number(median, "whole"),
        ledger.number(complete, "percent"),
    )


def _injuries(context: Context, ledger: Ledger) -> Markup | None:
    parts = []
    for outcome in context.plan["primary_outcomes"]:
        address = number_id("flow", "outcome", outcome, "count")
        if ledger.holds(address):
            number = ledger.number(address, "count")
            label = context.plan["outcomes"][outcome]["label"]
            parts.append(phrase("{} {}", label, number))
    if not parts:
        return None
    days = setting(f"{context.plan['horizon_days']:g} days")
    listed = Markup(", ").join(parts)
    return phrase("Second injuries within {} after clearance: {}.", days, listed)


def _incidence(context: Context, ledger: Ledger) -> Markup | None:
    days = float(context.plan["cumulative_incidence"]["times_days"][-1])
    parts = []
    for outcome in context.plan["primary_outcomes"]:
        address = incidence_address(context.estimates, outcome, "all", days)
        if address:
            label = context.plan["outcomes"][outcome]["label"]
            numbers = [ledger.number(address, "percent", field=field) for field in _LIMITS]
            parts.append(phrase("{} {} ({} to {})", label, *numbers))
    if not parts:
        return None
    return phrase(
        "Cumulative incidence at {}, with {} intervals: {}.",
        setting(f"{days:g} days"),
        setting(context.confidence_level),
        Markup("; ").join(parts),
    )


def reading(low: float, high: float) -> str:
    """Return in words on which side of one the interval of a hazard ratio lies, '' when on both."""
    if low > 1:
        return "higher rate with higher values"
    if high < 1:
        return "lower rate with higher values"
    return ""


def _association(
    context: Context, ledger: Ledger, predictor: dict[str, Any], outcome: str
) -> Markup | None:
    address = number_id("cox_primary", outcome, predictor["name"], "hazard_ratio")
    if not ledger.holds(address):
        return None
    label = context.plan["outcomes"][outcome]["label"]
    if math.isnan(ledger.value(address)):
        return phrase("{} {}", label, ledger.number(address, "ratio"))
    numbers = [ledger.number(address, "ratio", field=field) for field in _LIMITS]
    words = reading(*(ledger.value(address, field) for field in ("ci_low", "ci_high")))
    return phrase("{} {} ({} to {}){}", label, *numbers, f", {words}" if words else "")


@dataclass(frozen=True)
class Brief:
    """The study in brief: sentences, then an opening with one line per primary metric."""

    sentences: tuple[Markup, ...]
    opening: Markup | None
    associations: tuple[Markup, ...]


def _associations(context: Context, ledger: Ledger) -> tuple[Markup, ...]:
    lines = []
    for predictor in context.plan["primary"]:
        found = (
            _association(context, ledger, predictor, outcome)
            for outcome in context.plan["primary_outcomes"]
        )
        parts = [part for part in found if part is not None]
        if parts:
            label = sentence_case(predictor["label"])
            lines.append(phrase("<strong>{}</strong>: {}.", label, Markup("; ").join(parts)))
    return tuple(lines)


def study_in_brief(context: Context, ledger: Ledger) -> Brief:
    """Return the brief; what was not run is said, with the reason."""
    found = [
        _who(context, ledger),
        _followed(ledger),
        _injuries(context, ledger),
        _incidence(context, ledger),
    ]
    sentences = [sentence for sentence in found if sentence is not None]
    names = names_of(context)
    if reason := readable(not_run(context, "cox_primary"), names):
        sentences.append(
            phrase(
                "Associations with injury: <strong>not run</strong>, {}.", Exempt(reason, "reason")
            )
        )
    if reason := readable(stand_in(context.estimates, context.plan), names):
        sentences.append(
            phrase("<strong>Not as planned</strong>: {}.", Exempt(sentence_case(reason), "reason"))
        )
    associations = _associations(context, ledger)
    opening = phrase(
        "Hazard ratios per standard deviation of each primary metric at clearance, as measured, "
        "from models {}, with {} intervals. One means no association; an interval that includes "
        "one does not show that there is none.",
        handling_words(context.estimates),
        setting(context.confidence_level),
    )
    return Brief(tuple(sentences), opening if associations else None, associations)
