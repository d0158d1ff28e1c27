"""Which counts to hide: the small ones, and so many others that the small ones cannot be derived.

Hiding the small counts is called primary suppression, hiding the others complementary. A count is
small from 1 to one below the limit; zero may be shown. What is asked of the result:

- no hidden count follows from the shown ones by any adding and subtracting of sums, and
- of each small count a reader must still think possible that it reaches the limit.

Source of the rule: the cell size policy of the U.S. Centers for Medicare & Medicaid Services (no
cell from 1 to 10, nor anything from which one can be derived). Method: cells are added greedily and
taken back where they turn out needless; it finds a pattern that protects and of which no single
cell can be spared, not the smallest of all patterns (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

from analysis.disclosure.sums import Sum, check_sums, largest_possible, recoverable


@dataclass(frozen=True)
class Hidden:
    """The counts to hide."""

    primary: frozenset[str]
    complementary: frozenset[str]

    @property
    def all(self) -> frozenset[str]:
        """Every count to hide."""
        return self.primary | self.complementary


def is_small(count: float, limit: int) -> bool:
    """Tell whether a count must not be shown."""
    return 0 < count < limit


class _Pattern:
    """A set of hidden counts and the question whether it protects."""

    def __init__(
        self, counts: Mapping[str, int], sums: Sequence[Sum], limit: int, protected: frozenset[str]
    ):
        self.counts, self.sums, self.limit, self.protected = counts, sums, limit, protected

    def without_the_derivable(self, hidden: Collection[str]) -> set[str]:
        """Return the hidden counts without those that hide nothing, since a reader derives them."""
        return set(hidden) - (recoverable(self.sums, hidden) - self.protected)

    def exposed(self, hidden: Collection[str]) -> str | None:
        """Return one count that ought to be protected and is not, None when there is none."""
        if exact := recoverable(self.sums, hidden) & self.protected:
            return min(exact)
        for name in sorted(self.protected):
            if is_small(self.counts[name], self.limit):
                most = largest_possible(self.counts, self.sums, hidden, name)
                if most < self.limit - 0.5:
                    return name
        return None

    def neighbours(self, name: str, hidden: Collection[str]) -> set[str]:
        """Return shown counts in the sums of a hidden one, or of those tied to it when none is."""
        reached, front = {name}, {name}
        while front:
            touched = {
                other for item in self.sums if front & set(item.names) for other in item.names
            }
            if found := touched - set(hidden):
                return found
            front = (touched & set(hidden)) - reached
            reached |= front
        return set()


def counts_to_hide(
    counts: Mapping[str, int],
    sums: Sequence[Sum],
    *,
    limit: int,
    unprinted: Collection[str] = (),
    also: Collection[str] = (),
    shown: Collection[str] = (),
    cost: Callable[[str], int] = lambda _: 0,
) -> Hidden:
    """Return the counts to hide.

    Parameters
    ----------
    counts : name -> count, all that is printed and what could be derived from it
    sums : which counts add up to which
    limit : smallest count that may be shown, zero apart
    unprinted : names in `counts` that no page shows, but that must not be derivable if small
    also : counts that are hidden for another reason
    shown : counts that must stay, since they were decided on before; small ones must be in `also`
    cost : how much a reader would miss a count; dear ones are hidden last

    Raises
    ------
    ValueError
        A sum does not hold, or the counts that must stay leave no protection.
    """
    check_sums(counts, sums)
    unprinted = set(unprinted)
    small = {name for name, count in counts.items() if is_small(count, limit)} - set(shown)
    primary = (small | set(also)) - unprinted
    pattern = _Pattern(counts, sums, limit, frozenset(primary | small))
    hidden = primary | unprinted

    def order(name: str) -> tuple[int, bool, int, str]:
        # A zero is no cover as long as something else is at hand.
        return (cost(name), counts[name] == 0, counts[name], name)

    while (exposed := pattern.exposed(hidden)) is not None:
        found = pattern.neighbours(exposed, hidden) - set(shown)
        # Where its own sums have nothing left to hide, any count may help.
        found = found or set(counts) - hidden - set(shown)
        if not found:
            raise ValueError(f"{exposed!r} cannot be protected by hiding other counts")
        hidden.add(min(found, key=order))
    for name in sorted(hidden - primary - unprinted, key=order, reverse=True):
        fewer = pattern.without_the_derivable(hidden - {name})
        if name in hidden and pattern.exposed(fewer) is None:
            hidden = fewer | unprinted
    hidden = pattern.without_the_derivable(hidden)
    return Hidden(frozenset(primary), frozenset(hidden - primary - unprinted))
