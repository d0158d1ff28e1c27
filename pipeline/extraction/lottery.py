"""Examples are drawn by lot, never by a value: an example must not be the prettiest one.

The lot is the hash of a name. One trial of each athlete is drawn before the second of any, so that
several examples are several people. Whoever goes through the athletes in the order of their lots
computes little that is thrown away later; any other order draws the same.
"""

from __future__ import annotations

import hashlib

import pandas as pd


def lot(name: str) -> str:
    """Return the hash by which examples are drawn: smallest first."""
    return hashlib.sha256(name.encode()).hexdigest()


class Lottery:
    """Draws `most` of the names that it is offered; it remembers no more than these."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._drawn: dict[str, list[tuple[str, str]]] = {}

    def _with(self, athlete: str, name: str) -> dict[str, list[tuple[str, str]]]:
        """Return what would be drawn with one more: by lot of the athlete, lots and names."""
        drawn = {one: list(tickets) for one, tickets in self._drawn.items()}
        mine = drawn.setdefault(lot(athlete), [])
        mine.append((lot(name), name))
        mine.sort()
        places = sorted(
            (turn, one) for one, tickets in drawn.items() for turn in range(len(tickets))
        )
        for _, one in reversed(places[self.most :]):
            drawn[one].pop()
        return {one: tickets for one, tickets in drawn.items() if tickets}

    def admits(self, athlete: str, name: str) -> bool:
        """Tell whether a name of an athlete is among the first of those seen so far."""
        return any((lot(name), name) in tickets for tickets in self._with(athlete, name).values())

    def draw(self, athlete: str, name: str) -> None:
        """Take a name; who is not among the first any more is let go."""
        self._drawn = self._with(athlete, name)

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
