"""A tally: the counts of a study by name, how they add up, and where estimates print them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field

from analysis.disclosure.sums import Sum
from analysis.disclosure.suppression import counts_to_hide

Place = tuple[str, str]
"""A printed count: address of the row of estimates, and its field."""


@dataclass
class Tally:
    """Counts with their sums; `places` says where each is printed."""

    counts: dict[str, int] = field(default_factory=dict)
    sums: list[Sum] = field(default_factory=list)
    unprinted: set[str] = field(default_factory=set)
    places: dict[str, list[Place]] = field(default_factory=dict)

    def add(self, name: str, count: float, *places: Place) -> None:
        """Add a printed count; the same count may be printed in several places.

        Raises
        ------
        ValueError
            The name stands for another count already.
        """
        if self.counts.setdefault(name, int(count)) != int(count):
            raise ValueError(f"{name!r} is {self.counts[name]} and {int(count)}")
        self.places.setdefault(name, []).extend(places)

    def adds_up(self, total: str, parts: Iterable[str]) -> None:
        """Say that a total is the sum of its parts, where all of them are known and it is."""
        parts = tuple(parts)
        if not parts or any(name not in self.counts for name in (total, *parts)):
            return
        if self.counts[total] == sum(self.counts[part] for part in parts):
            self.sums.append(Sum(total, parts))

    def with_rest(self, total: str, *parts: str) -> None:
        """Say that parts lie within a total; what is left of it is printed nowhere.

        One takes the parts from the total and knows it, so it is protected if it is small.
        """
        if any(name not in self.counts for name in (total, *parts)):
            return
        rest = self.counts[total] - sum(self.counts[part] for part in parts)
        if rest < 0:
            return
        name = f"{total} without {' and '.join(parts)}"
        self.counts[name] = rest
        self.unprinted.add(name)
        self.sums.append(Sum(total, (*parts, name)))

    def joined(self, other: Tally) -> Tally:
        """Return both tallies as one; counts of the same name are the same count."""
        both = Tally(
            dict(self.counts), [*self.sums, *other.sums], self.unprinted | other.unprinted,
            {name: list(found) for name, found in self.places.items()},
        )  # fmt: skip
        for name, count in other.counts.items():
            both.add(name, count, *other.places.get(name, []))
        return both

    def to_hide(
        self, limit: int, *, also: Collection[str] = (), shown: Collection[str] = ()
    ) -> frozenset[str]:
        """Return the names of the printed counts to hide (`counts_to_hide`)."""
        named = set(self.counts)
        return counts_to_hide(
            self.counts,
            self.sums,
            limit=limit,
            unprinted=self.unprinted,
            also=set(also) & named,
            shown=set(shown) & named,
            cost=cost,
        ).all

    def printed_at(self, names: Iterable[str]) -> Iterator[Place]:
        """Yield the places of the named counts."""
        for name in names:
            yield from self.places.get(name, [])


_DEAR = (
    ("landmark", 9),
    ("events/", 7),
    ("plan_group/", 6),
    ("group/", 6),
    ("known/", 4),
    ("end/", 3),
    ("site/", 3),
    ("enrolled", 2),
)


def cost(name: str) -> int:
    """Return how much a reader would miss a count: the cohort and its events first."""
    found = [price for start, price in _DEAR if name.startswith(start)]
    total = 1 if name.endswith("/all") else 0
    return 2 * found[0] + total if found else total
