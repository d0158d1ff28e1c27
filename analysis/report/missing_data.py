"""How missing and clipped metrics were handled in the primary models, in words and addresses."""

from __future__ import annotations

from typing import Any

import pandas as pd

from analysis.estimates import number_id, rows_of
from analysis.models.filled_cohort import COMPLETE_CASES, FILLED_IN, NOTHING
from analysis.models.outcome_model import PRIMARY, Handling, analysis_of
from analysis.report.ledger import Ledger

_WORDS = {
    FILLED_IN: "with missing and clipped metrics filled in",
    COMPLETE_CASES: "of the athletes with all primary metrics (complete cases)",
    NOTHING: "without any missing or clipped metric",
}
"""Value of the column `missing_data` -> what stands behind 'hazard ratios'."""


def handlings(estimates: pd.DataFrame) -> list[str]:
    """Return the handlings that the primary hazard ratios rest on, as the column names them."""
    found = rows_of(estimates, PRIMARY, "hazard_ratio")["missing_data"]
    return [words for words in _WORDS if words in set(found)]


def handling_words(estimates: pd.DataFrame) -> str:
    """Return how the primary hazard ratios deal with gaps, '' where there are none."""
    return ", or ".join(_WORDS[words] for words in handlings(estimates))


def stand_in(estimates: pd.DataFrame, plan: dict[str, Any]) -> str:
    """Return why complete cases stand in for filled-in values that the plan names, else ''."""
    if plan["missing"]["primary"] != "imputed":
        return ""
    rows = rows_of(estimates, PRIMARY, "hazard_ratio")
    notes = rows.loc[rows["missing_data"] == COMPLETE_CASES, "note"]
    return "" if notes.empty else str(notes.iloc[0])


def handling_address(
    ledger: Ledger, plan: dict[str, Any], handling: Handling, outcome: str, name: str
) -> str:
    """Return the address of a hazard ratio by one handling.

    Where nothing was filled in, the primary one is that of complete cases.
    """
    own = number_id(analysis_of(handling, plan), outcome, name, "hazard_ratio")
    if handling == "complete_cases" and not ledger.holds(own):
        return number_id(PRIMARY, outcome, name, "hazard_ratio")
    return own
