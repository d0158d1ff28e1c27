"""Reliability of the plan's metrics in sentences: how good a visit is, how many trials suffice."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from analysis.estimates import number_id
from analysis.labels import sentence_case, unit_shown, words
from analysis.models.limb_difference import landing_words
from analysis.models.metric_reliability import ANALYSIS
from analysis.models.reliability_rows import AS_SHARE
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger, Number, phrase

_INTERVAL = ("estimate", "ci_low", "ci_high")
_TARGET, _TARGET_SHOWN = "for_80", Exempt("0.80", "setting")


def _numbers(ledger: Ledger, address: str, style: str) -> list[Number]:
    return [ledger.number(address, style, field=field) for field in _INTERVAL]


def _error(context: Context, ledger: Ledger, subject: tuple[str, ...], term: str) -> Markup:
    """Return an error or change with its interval and unit, on the log scale as a share."""
    share = number_id(ANALYSIS, subject, term, AS_SHARE)
    if ledger.holds(share):
        return phrase("{} ({} to {})", *_numbers(ledger, share, "percent"))
    quantity = {"error_of_mean": "standard_error_of_measurement"}.get(term, term)
    address = number_id(ANALYSIS, subject, term, quantity)
    rows = context.estimates
    unit = str(rows.loc[rows["number_id"] == address, "unit"].iloc[0])
    found = _numbers(ledger, address, "measure")
    return phrase("{} {} ({} to {})", found[0], unit_shown(unit), *found[1:])


def _enough(ledger: Ledger, subject: tuple[str, ...]) -> Markup:
    needed = number_id(ANALYSIS, subject, _TARGET, "trials_needed")
    if math.isnan(ledger.value(needed)):
        return phrase(
            "No number of trials at one visit reaches {}: athletes differ too much from visit to "
            "visit.",
            _TARGET_SHOWN,
        )
    found = phrase(
        "Trials at one visit that reach {}: {}", _TARGET_SHOWN, ledger.number(needed, "trials")
    )
    low, high = (ledger.value(needed, field) for field in _INTERVAL[1:])
    if math.isnan(low):
        return found + Markup(".")
    fewest = ledger.number(needed, "trials", field="ci_low")
    if math.isnan(high):
        return found + phrase(" ({} or more: the interval is open above).", fewest)
    return found + phrase(" ({} to {}).", fewest, ledger.number(needed, "trials", field="ci_high"))


def _sentence(context: Context, ledger: Ledger, predictor: Mapping[str, Any]) -> Markup | None:
    subject = (
        predictor["metric"],
        predictor["sensor"],
        predictor["task"],
        *landing_words(str(predictor.get("landing", 1))),
        predictor["limb"],
    )
    mean = number_id(ANALYSIS, subject, "mean_of_trials", "reliability")
    if not ledger.holds(mean) or math.isnan(ledger.value(mean)):
        return None
    return phrase(
        "<strong>{} ({})</strong>: the mean of the protocol's {} trials at one visit has a "
        "reliability between visits of {} ({} to {}), a standard error of measurement of {} and a "
        "detectable change of {}. {}",
        Exempt(sentence_case(predictor["label"]), "name"),
        words(predictor["sensor"]),
        ledger.number(number_id(ANALYSIS, subject, "protocol", "trials"), "count"),
        *_numbers(ledger, mean, "two_decimals"),
        _error(context, ledger, subject, "error_of_mean"),
        _error(context, ledger, subject, "detectable_change"),
        _enough(ledger, subject),
    )


def reliability_sentences(context: Context, ledger: Ledger) -> list[Markup]:
    """Return one sentence per predictor of the plan whose reliability is known."""
    found = [_sentence(context, ledger, predictor) for predictor in context.predictors]
    return [sentence for sentence in found if sentence is not None]
