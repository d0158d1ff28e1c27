"""What the number of events could show: minimal detectable hazard ratios, in sentences."""

from __future__ import annotations

from markupsafe import Markup

from analysis.report.context import Context
from analysis.report.ledger import Ledger, phrase

_QUANTITY = "minimal_detectable_hazard_ratio"


def detectable_effects(context: Context, ledger: Ledger) -> list[Markup]:
    """Return one line per outcome of the primary models, with the events it rests on."""
    rows = context.estimates
    chosen = rows.loc[rows["analysis"].isin(["cox_primary", "cox_secondary"])]
    chosen = chosen.loc[chosen["quantity"] == _QUANTITY]
    sentences = []
    for outcome in context.plan["outcomes"]:
        for address in chosen.loc[chosen["outcome"] == outcome, "number_id"]:
            sentences.append(
                phrase(
                    "{} (events: {}): {} or its inverse",
                    context.plan["outcomes"][outcome]["label"],
                    ledger.number(address, "count", field="n_events"),
                    ledger.number(address, "ratio"),
                )
            )
    return sentences
