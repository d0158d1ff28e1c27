"""Table: error of measurement of the primary metrics, from their trials."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.estimates import number_id
from analysis.labels import sentence_case, unit_shown
from analysis.report.context import Context
from analysis.report.ledger import Exempt, Ledger
from analysis.tables.cells import number_or_word
from analysis.tables.journal import Cell, JournalTable, Row
from shared.metric_dictionary import metrics

_ANALYSIS = "measurement_error"
_DEVIATIONS = ("athlete", "visit_in_athlete", "trial")
_RELIABILITIES = ("trial_error", "visit_error")


def _numbers(
    ledger: Ledger, name: str, terms: Sequence[str], quantity: str, style: str
) -> list[Cell]:
    addresses = [number_id(_ANALYSIS, name, term, quantity) for term in terms]
    return [number_or_word(ledger, address, style, "not estimated") for address in addresses]


def build(context: Context, ledger: Ledger) -> JournalTable:
    """Return standard deviations and reliabilities of the primary metrics."""
    rows = []
    for predictor in context.plan["primary"]:
        name = predictor["name"]
        if not ledger.holds(number_id(_ANALYSIS, name, "trial", "standard_deviation")):
            continue
        unit = unit_shown(metrics()[predictor["metric"]].unit)
        label = Exempt(f"{sentence_case(predictor['label'])}, {unit}", "name")
        deviations = _numbers(ledger, name, _DEVIATIONS, "standard_deviation", "measure")
        reliabilities = _numbers(ledger, name, _RELIABILITIES, "reliability", "two_decimals")
        rows.append(Row((label, *deviations, *reliabilities)))
    return JournalTable(
        "measurement_error",
        "Variation of the primary metrics, and reliability of an athlete's mean",
        (
            "Metric",
            "SD between athletes",
            "SD between visits",
            "SD between trials",
            "Reliability: error of trials",
            "Reliability: error of trials and visits",
        ),
        tuple(rows),
        notes=(
            "Standard deviations (SD) from a mixed model of all valid trials. Reliability is the "
            "share of the variation of the means that is not error: against the status at the "
            "clearance visit (error of trials), or against the habitual value (error of trials "
            "and visits).",
        ),
        absent="the error of measurement was not estimated",
    )
