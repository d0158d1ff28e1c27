"""Small counts are hidden so that nobody can add and subtract them back.

Held against brute force: rational elimination over all sums for the exact part, and every table of
whole numbers that agrees with what is shown for the rest. The worked example is that of the U.S.
Federal Committee on Statistical Methodology, Statistical Policy Working Paper 22 (1994), chapter II
(delinquent children by county and education; its numbers by memory, and their sums are checked).
"""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest

from analysis.disclosure.sums import Sum, check_sums, largest_possible, recoverable
from analysis.disclosure.suppression import counts_to_hide, is_small

COUNTIES = {
    "alpha": (15, 1, 3, 1),
    "beta": (20, 10, 10, 15),
    "gamma": (3, 10, 10, 2),
    "delta": (12, 14, 7, 2),
}
LEVELS = ("low", "medium", "high", "very high")


def table(rows: dict[str, tuple[int, ...]], columns: tuple[str, ...]):
    """Return counts with both margins, and their sums."""
    counts = {
        f"{row} {column}": count
        for row, line in rows.items()
        for column, count in zip(columns, line, strict=True)
    }
    sums = []
    for row, line in rows.items():
        counts[row] = sum(line)
        sums.append(Sum(row, tuple(f"{row} {column}" for column in columns)))
    for column in columns:
        counts[column] = sum(counts[f"{row} {column}"] for row in rows)
        sums.append(Sum(column, tuple(f"{row} {column}" for row in rows)))
    counts["all"] = sum(counts[row] for row in rows)
    sums += [Sum("all", tuple(rows)), Sum("all", columns)]
    return counts, sums


def of_margins(name: str) -> int:
    return int(" " not in name)


def rank(matrix: list[list[Fraction]]) -> int:
    """Rank by elimination in exact fractions, sharing nothing with the code under test."""
    rows = [list(row) for row in matrix]
    found = 0
    for column in range(len(rows[0]) if rows else 0):
        pivot = next((i for i in range(found, len(rows)) if rows[i][column]), None)
        if pivot is None:
            continue
        rows[found], rows[pivot] = rows[pivot], rows[found]
        for i in range(len(rows)):
            if i != found and rows[i][column]:
                factor = rows[i][column] / rows[found][column]
                rows[i] = [a - factor * b for a, b in zip(rows[i], rows[found], strict=True)]
        found += 1
    return found


def derivable(sums: list[Sum], hidden: list[str]) -> set[str]:
    """A count is a combination of the shown ones if its unit vector lies in the row space."""
    rows = [
        [Fraction((name == item.total) - item.parts.count(name)) for name in hidden]
        for item in sums
    ]
    whole = rank(rows)
    units = {name: [Fraction(name == other) for other in hidden] for name in hidden}
    return {name for name in hidden if rank([*rows, units[name]]) == whole}


def test_hiding_the_small_counts_alone_gives_one_away():
    """The paper's point: these nine blanks look safe, and yet rows less columns give 1."""
    counts, sums = table(COUNTIES, LEVELS)
    assert counts["all"] == 135
    blanks = [
        *("alpha medium", "alpha high", "alpha very high", "beta medium", "beta high"),
        *("gamma low", "gamma very high", "delta low", "delta very high"),
    ]
    assert recoverable(sums, blanks) == {"alpha very high"} == derivable(sums, blanks)
    assert largest_possible(counts, sums, blanks, "alpha very high") == pytest.approx(1)


def test_worked_example_is_protected_by_three_more_cells():
    counts, sums = table(COUNTIES, LEVELS)
    hidden = counts_to_hide(counts, sums, limit=5, cost=of_margins)
    assert hidden.primary == {name for name, count in counts.items() if 0 < count < 5}
    assert hidden.complementary == {"gamma medium", "delta low", "delta high"}
    assert derivable(sums, sorted(hidden.all)) == set()


@pytest.mark.parametrize("seed", range(6))
def test_no_hidden_count_of_a_random_table_can_be_derived(seed):
    random = np.random.default_rng(seed)
    lines = random.negative_binomial(1, 0.06, (4, 4))
    rows = {f"row{i}": tuple(map(int, line)) for i, line in enumerate(lines)}
    counts, sums = table(rows, ("a", "b", "c", "d"))
    hidden = counts_to_hide(counts, sums, limit=11, cost=of_margins).all
    assert {name for name, count in counts.items() if is_small(count, 11)} <= hidden
    assert derivable(sums, sorted(hidden)) == set()
    for name in hidden:
        if is_small(counts[name], 11):
            assert largest_possible(counts, sums, hidden, name) >= 11 - 1e-6


@pytest.mark.parametrize(
    "lines", [((1, 9), (8, 7)), ((2, 0, 9), (6, 8, 9)), ((0, 3), (0, 12)), ((4, 0, 4), (9, 9, 9))]
)
def test_whole_numbers_leave_a_small_count_open_too(lines):
    """Every table of whole numbers that agrees with what is shown, counted out."""
    columns = ("a", "b", "c")[: len(lines[0])]
    counts, sums = table({f"row{i}": line for i, line in enumerate(lines)}, columns)
    limit = 5
    hidden = counts_to_hide(counts, sums, limit=limit, cost=of_margins).all
    # Margins follow from cells, so only cells are tried, each up to twice the largest count.
    names = sorted(hidden)
    most = min(2 * limit + 2, max(counts.values()))
    free = [name for name in names if " " in name]
    found: dict[str, set[int]] = {name: set() for name in names}
    for values in product(range(most + 1), repeat=len(free)):
        tried = counts | dict(zip(free, values, strict=True))
        for item in [s for s in sums if s.total in hidden and s.total not in free]:
            tried[item.total] = sum(tried[part] for part in item.parts)
        if all(tried[s.total] == sum(tried[p] for p in s.parts) for s in sums):
            for name in names:
                found[name].add(tried[name])
    small = [name for name in names if is_small(counts[name], limit)]
    assert small
    for name in small:
        assert len(found[name]) > 1, name
        assert max(found[name]) >= limit, name


def test_nothing_small_nothing_hidden():
    counts, sums = table({"row": (20, 0), "other": (30, 40)}, ("a", "b"))
    assert counts_to_hide(counts, sums, limit=11).all == frozenset()


def test_a_difference_that_is_printed_nowhere_is_protected():
    """240 enrolled and 236 measured tell of 4 who were not."""
    counts = {"enrolled": 240, "measured": 236, "not measured": 4}
    sums = [Sum("enrolled", ("measured", "not measured"))]
    hidden = counts_to_hide(
        counts, sums, limit=11, unprinted=["not measured"], cost=lambda name: name == "enrolled"
    )
    assert hidden.all == {"measured"}
    counts |= {"measured": 220, "not measured": 20}
    hidden = counts_to_hide(counts, sums, limit=11, unprinted=["not measured"])
    assert hidden.all == frozenset()


def test_counts_that_must_stay_are_not_hidden():
    counts, sums = table({"row": (3, 12), "other": (20, 30)}, ("a", "b"))
    margins = {name for name in counts if " " not in name}
    hidden = counts_to_hide(counts, sums, limit=11, shown=margins)
    assert hidden.all == {"row a", "row b", "other a", "other b"}
    with pytest.raises(ValueError, match="cannot be protected"):
        counts_to_hide({"a": 3, "b": 20, "all": 23}, [Sum("all", ("a", "b"))], limit=11,
                       shown=["b", "all"])  # fmt: skip


def test_sums_that_do_not_hold_are_a_fault():
    with pytest.raises(ValueError, match="its parts"):
        check_sums({"all": 5, "a": 4}, [Sum("all", ("a",))])
    with pytest.raises(ValueError, match="unknown counts"):
        check_sums({"all": 5}, [Sum("all", ("a",))])
