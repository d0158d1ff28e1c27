"""Step: the estimates as they may leave the team, from which the shareable edition is made.

Tables, figures and sentences read estimates and nothing else. So a number that is emptied here can
stand nowhere in the edition.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.disclosure.decide import decide
from analysis.disclosure.follow_up import CURVE, shown_days
from analysis.estimates import provenance, rows_of
from analysis.figures.incidence import KNOWN_HERE_ONLY
from shared.tables import read_table, write_table

STEP = "analysis.disclosure.shareable:write_shareable_estimates"

_WHOLE_NUMBER = re.compile(r"(?<![\w.,])\d{1,3}(?:,\d{3})*(?![\w.,]*\d|\s?%)")
FEW = "some"
"""What stands for a whole number in a sentence that an analysis gave as a reason."""


def without_numbers(note: str) -> str:
    """Return a reason with its whole numbers taken out: it may count athletes or events."""
    return _WHOLE_NUMBER.sub(FEW, note)


def _curves_at_shown_days(table: pd.DataFrame, plan: dict[str, Any]) -> pd.DataFrame:
    """Return the estimates with curves known only at the times of the plan.

    A curve of all steps shows the day of every single injury.
    """
    steps = (table["analysis"] == CURVE) & (table["quantity"] == "cumulative_incidence")
    at_times = rows_of(table, "cumulative_incidence", "cumulative_incidence").copy()
    at_times = at_times.loc[at_times["estimate"].notna()]
    at_times["number_id"] = [
        address.replace("cumulative_incidence.", f"{CURVE}.", 1)
        for address in at_times["number_id"]
    ]
    at_times["analysis"] = CURVE
    days = set(shown_days(plan))
    other_days = (table["analysis"] == CURVE) & ~table["time_days"].isin(days)
    return pd.concat([table.loc[~steps & ~other_days], at_times], ignore_index=True)


def shareable_estimates(estimates: pd.DataFrame, plan: dict[str, Any], limit: int) -> pd.DataFrame:
    """Return the estimates that may leave the team (columns of `estimates`).

    Hidden numbers are empty and named in the column `hidden`. Notes name recordings and athletes,
    so only the reasons why something was not run are kept, without their numbers.
    """
    table = decide(estimates, plan, limit).applied(estimates)
    table = _curves_at_shown_days(table, plan)
    kept = (table["quantity"] == "not_run") | table["analysis"].str.startswith("cox_")
    table["note"] = [
        without_numbers(note) if keep else ""
        for note, keep in zip(table["note"], kept, strict=True)
    ]
    points = (table["analysis"] == CURVE) & (table["quantity"] == "cumulative_incidence")
    table.loc[points, "note"] = KNOWN_HERE_ONLY
    return table.sort_values("number_id", kind="stable", ignore_index=True)


def write_shareable_estimates(
    *, estimates: Path, shareable: Path, study: dict[str, Any], plan: dict[str, Any]
) -> None:
    """Write the estimates that may leave the team."""
    limit = int(study["smallest_shown_count"])
    table = shareable_estimates(read_table(estimates), plan, limit)
    write_table(table, shareable, "estimates", **provenance(STEP, {"estimates": estimates}))
