"""The prediction in sentences: first whether the sample carries one, then how well it works."""

from __future__ import annotations

from markupsafe import Markup

from analysis.estimates import number_id
from analysis.models.prediction_rows import CORRECTED, PERFORMANCE, SIZE
from analysis.prediction.added_value import ADDED, REFERENCE, WITH_METRICS
from analysis.report.context import Context
from analysis.report.ledger import Ledger, Number, phrase, setting
from analysis.tables.prediction import subject_of

_INTERVAL = ("estimate", "ci_low", "ci_high")


def _size(subject: str, ledger: Ledger) -> Markup | None:
    found, needed = (
        {name: number_id(SIZE, subject, term, name) for name in ("athletes", "events")}
        for term in ("found", "required")
    )
    if not ledger.holds(found["events"]) or not ledger.holds(needed["events"]):
        return None
    enough = all(ledger.value(found[name]) >= ledger.value(needed[name]) for name in found)
    verdict = (
        "The sample meets the criteria for building a prediction model"
        if enough
        else "The sample is too small to build a prediction model; what follows is exploratory and "
        "shows how little it could tell"
    )
    parameters = number_id(SIZE, subject, "all", "parameters")
    return phrase(
        "<strong>{}.</strong> With {} candidate parameters {} athletes with {} events would be "
        "needed; there are {} with {}.",
        verdict,
        ledger.number(parameters, "count"),
        ledger.number(needed["athletes"], "count"),
        ledger.number(needed["events"], "whole"),
        ledger.number(found["athletes"], "count"),
        ledger.number(found["events"], "count"),
    )


def _corrected(ledger: Ledger, subject: str, model: str, measure: str) -> list[Number]:
    address = number_id(PERFORMANCE, subject, (model, CORRECTED), measure)
    return [ledger.number(address, "two_decimals", field=field) for field in _INTERVAL]


def _discrimination(context: Context, subject: str, ledger: Ledger) -> Markup:
    return phrase(
        "Of two athletes of whom one is injured within {}, the model with landing metrics gives "
        "the injured one the higher risk in this share of pairs, corrected for optimism (Uno's "
        "concordance, half is chance): {} ({} to {}); the reference model: {} ({} to {}).",
        setting(f"{context.plan['prediction']['horizon_days']:g} days"),
        *_corrected(ledger, subject, WITH_METRICS, "uno_c"),
        *_corrected(ledger, subject, REFERENCE, "uno_c"),
    )


def _added(subject: str, ledger: Ledger) -> Markup:
    numbers = _corrected(ledger, subject, ADDED, "uno_c")
    address = number_id(PERFORMANCE, subject, (ADDED, CORRECTED), "uno_c")
    low, high = (ledger.value(address, field) for field in _INTERVAL[1:])
    reading = "no added value was shown, which does not prove that there is none"
    if low > 0:
        reading = "the metrics add to it in this group"
    if high < 0:
        reading = "the metrics take away from it in this group"
    return phrase(
        "The landing metrics change that concordance by {} ({} to {}): {}.", *numbers, reading
    )


def _calibration(subject: str, ledger: Ledger) -> Markup:
    return phrase(
        "Calibration of the model with landing metrics: observed over expected {} ({} to {}), "
        "slope {} ({} to {}); below one the predictions are too extreme, above one too timid.",
        *_corrected(ledger, subject, WITH_METRICS, "observed_expected"),
        *_corrected(ledger, subject, WITH_METRICS, "calibration_slope"),
    )


def prediction_sentences(context: Context, ledger: Ledger) -> list[Markup]:
    """Return the sentences; the size of the sample comes before anything else."""
    subject = subject_of(context)
    if not subject:
        return []
    found = [_size(subject, ledger)]
    if ledger.holds(number_id(PERFORMANCE, subject, "all", "resamples")):
        found += [
            _discrimination(context, subject, ledger),
            _added(subject, ledger),
            _calibration(subject, ledger),
        ]
    return [sentence for sentence in found if sentence is not None]
