"""Examples are drawn by lot, never by a value: an example must not be the prettiest one.

The lot is the hash of a name. One trial of each athlete is drawn before the second of any, so that
several examples are several people. Whoever goes through the athletes in the order of their lots
computes little that is thrown away later; any other order draws the same.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left, insort

import pandas as pd


def lot(name: str) -> str:
    """Return the hash by which examples are drawn: smallest first."""
    return hashlib.sha256(name.encode()).hexdigest()


class Lottery:
    """Draws `most` of the names that it is offered; it remembers no more than these."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._drawn: dict[str, list[tuple[str, str]]] = {}  # by lot of the athlete: lots and names
        self._places: list[tuple[int, str]] = []  # turns of the athletes, in order

    def admits(self, athlete: str, name: str) -> bool:
        """Tell whether a name of an athlete is among the first of those seen so far."""
        turn = bisect_left(self._drawn.get(lot(athlete), []), (lot(name), name))
        if len(self._places) < self.most:
            return True
        return self.most > 0 and (turn, lot(athlete)) <= self._places[-1]

    def draw(self, athlete: str, name: str) -> None:
        """Take a name that is admitted; who is not among the first any more is let go."""
        mine = self._drawn.setdefault(lot(athlete), [])
        insort(mine, (lot(name), name))
        insort(self._places, (len(mine) - 1, lot(athlete)))
        for _, surplus in self._places[self.most :]:
            self._drawn[surplus].pop()
        del self._places[self.most :]

    @property
    def names(self) -> frozenset[str]:
        """The names that are drawn."""
        return frozenset(name for tickets in self._drawn.values() for _, name in tickets)


def in_order_of_lots(rows: pd.DataFrame, group: list[str], name: str) -> pd.DataFrame:
    """Return rows in the order in which a `Lottery` of each group draws them, with their `place`.

    Parameters
    ----------
    rows
        With the columns `athlete_id` and `name` (a trial's or a landing's), each name once a group.
    """
    lots = rows.assign(athlete_lot=rows["athlete_id"].map(lot), lot=rows[name].map(lot))
    lots = lots.sort_values(["athlete_lot", "lot"])
    turn = lots.groupby([*group, "athlete_id"]).cumcount()
    lots = lots.assign(turn=turn).sort_values(["turn", "athlete_lot", "lot"], ignore_index=True)
    return lots.assign(place=lots.groupby(group).cumcount())
