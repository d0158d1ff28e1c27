"""Rows of athletes who withdrew their consent, which the study tables may still hold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection

import pandas as pd

from shared.withdrawals import athlete_of


def without_withdrawn(
    cells: pd.DataFrame, withdrawn: Collection[str]
) -> tuple[pd.DataFrame, Counter[str]]:
    """Return the rows of a study table without those athletes, and how many each of them has.

    A row belongs to the athlete whom it names, or whose recording it names.
    """
    if "athlete_id" in cells:
        owner = cells["athlete_id"]
    elif "recording_id" in cells:
        owner = cells["recording_id"].map(athlete_of)
    else:
        return cells, Counter()
    theirs = owner.isin(withdrawn)
    return cells.loc[~theirs], Counter(owner[theirs].tolist())
