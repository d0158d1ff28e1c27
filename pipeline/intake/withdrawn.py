"""Rows of athletes who withdrew their consent, which the study tables may still hold."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from shared.withdrawals import athlete_of

OWNER = "owner"
"""Column of the dropped rows: the athlete whom a row names, or whose recording it names."""


def without_withdrawn(
    cells: pd.DataFrame, withdrawn: Collection[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows of a study table without those athletes, and the dropped rows."""
    if "athlete_id" in cells:
        owner = cells["athlete_id"]
    elif "recording_id" in cells:
        owner = cells["recording_id"].map(athlete_of)
    else:
        return cells, cells.iloc[:0].assign(**{OWNER: ""})
    theirs = owner.isin(withdrawn)
    return cells.loc[~theirs], cells.loc[theirs].assign(**{OWNER: owner[theirs]})
