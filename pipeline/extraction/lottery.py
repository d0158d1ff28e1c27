"""Examples are drawn by lot, never by a value: an example must not be the prettiest one.

The lot is the hash of a name. Athletes are drawn first, and one trial of each, so that several
examples are several people. Whoever goes through the athletes in the order of their lots computes
next to nothing that is thrown away later; any other order draws the same.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple

import pandas as pd


def lot(name: str) -> str:
    """Return the hash by which examples are drawn: smallest first."""
    return hashlib.sha256(name.encode()).hexdigest()


class _Ticket(NamedTuple):
    """Lots of athlete and trial (or landing), and the name of the latter."""

    athlete: str
    trial: str
    name: str


class Lottery:
    """One trial of each of the first athletes by lot; `most` of them."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._drawn: dict[str, _Ticket] = {}

    def admits(self, athlete: str, name: str) -> bool:
        """Tell whether a trial is among the first of those seen so far."""
        known = self._drawn.get(athlete)
        if known is not None:
            return lot(name) < known.trial
        return len(self._drawn) < self.most or (
            self.most > 0 and lot(athlete) < max(self._drawn.values()).athlete
        )

    def draw(self, athlete: str, name: str) -> None:
        """Take a trial that is admitted; who is not among the first any more is let go."""
        self._drawn[athlete] = _Ticket(lot(athlete), lot(name), name)
        if len(self._drawn) > self.most:
            last = max(self._drawn, key=self._drawn.__getitem__)
            del self._drawn[last]

    @property
    def names(self) -> frozenset[str]:
        """The names that are drawn."""
        return frozenset(ticket.name for ticket in self._drawn.values())


def first_by_lot(rows: pd.DataFrame, group: list[str], name: str) -> pd.DataFrame:
    """Return one row of each athlete in each group, those with the smallest lots first.

    Parameters
    ----------
    rows
        With the columns `athlete_id` and `name` (a trial's or a landing's), each name once a group.
    """
    lots = rows.assign(athlete_lot=rows["athlete_id"].map(lot), lot=rows[name].map(lot))
    lots = lots.sort_values(["athlete_lot", "lot"], ignore_index=True)
    return lots.drop_duplicates([*group, "athlete_id"], ignore_index=True)
