"""The direct answer in sentences: what each sensor would show of a true association."""

from __future__ import annotations

from markupsafe import Markup

from analysis.estimates import number_id
from analysis.labels import sentence_case, words
from analysis.report.context import Context
from analysis.report.ledger import Ledger, phrase
from analysis.tables.sensors import ANALYSIS, ERRORS, REFERENCE, address_of, compared

MEASUREMENT_ERROR = "measurement_error"
_ATHLETES = number_id(ANALYSIS, "all", "all", "athletes_with_all_sensors")


def _error_counted(ledger: Ledger, outcome: str, predictor: str) -> str | None:
    """Return the most complete error that could be counted."""
    held = [
        error
        for error in ERRORS
        if ledger.holds(address_of(outcome, predictor, error, "reliability"))
    ]
    return held[-1] if held else None


def _sentence(ledger: Ledger, outcome: str, predictor: dict[str, str]) -> Markup | None:
    name = predictor["name"]
    error = _error_counted(ledger, outcome, name)
    if error is None:
        return None
    styles = {
        "attenuated_reference_hazard_ratio": "ratio",
        "events_needed_reference": "whole",
        "reliability": "two_decimals",
    }
    numbers = [
        ledger.number(address_of(outcome, name, error, quantity), style)
        for quantity, style in styles.items()
    ]
    return phrase(
        "<strong>{} ({})</strong> would show a ratio of {} and need {} events to find it "
        "(reliability {}, counting the error of {}).",
        sentence_case(predictor["label"]),
        words(predictor["sensor"]),
        *numbers,
        ERRORS[error],
    )


def direct_answer(context: Context, ledger: Ledger) -> list[Markup]:
    """Return the opening and one sentence per metric, by the first primary outcome."""
    outcome = context.plan["primary_outcomes"][0]
    if not ledger.holds(REFERENCE) or not ledger.holds(_ATHLETES):
        return []
    found = (_sentence(ledger, outcome, item) for item in compared(context, ledger, outcome))
    sentences = [sentence for sentence in found if sentence is not None]
    opening = phrase(
        "{} athletes have every metric that is compared here. Suppose that a standard deviation "
        "more of the true value goes along with a hazard ratio of {}. Then:",
        ledger.number(_ATHLETES, "count"),
        ledger.number(REFERENCE, "two_decimals"),
    )
    return [opening, *sentences] if sentences else []


def _reliability(ledger: Ledger, predictor: dict[str, str]) -> Markup | None:
    address = number_id(MEASUREMENT_ERROR, predictor["name"], "visit_error", "reliability")
    if not ledger.holds(address):
        return None
    return phrase(
        "{} ({}) {}",
        predictor["label"],
        words(predictor["sensor"]),
        ledger.number(address, "two_decimals"),
    )


def reliabilities(context: Context, ledger: Ledger) -> Markup | None:
    """Return how reliable the primary metrics are, for a study too small for the direct answer."""
    found = (_reliability(ledger, predictor) for predictor in context.plan["primary"])
    parts = [part for part in found if part is not None]
    if not parts:
        return None
    return phrase(
        "How good the sensors are for the question could be answered in part only. Of the "
        "variation of an athlete's mean at one visit this share is the athlete's habitual value, "
        "and the rest is error of trials and visits: {}.",
        Markup("; ").join(parts),
    )
