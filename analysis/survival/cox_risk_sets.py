"""Who is at risk at each event time, as index arrays that are built once per data set.

Every sum over a risk set is a difference of cumulative sums, so nothing loops over rows. A row
observed in ``(start, stop]`` is in the risk set of each event time of its stratum in that
interval: those are consecutive, ``first`` to ``last``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.survival.checks import Booleans, Floats, Integers


@dataclass(frozen=True, eq=False)
class RiskSets:
    """Index arrays over S risk sets, m rows that are ever at risk and E deaths.

    Attributes
    ----------
    rows : (m,) caller's row numbers, ordered by stratum and last risk set
    first, last : (m,) first and last risk set of each of these rows
    leave_offsets : (S,) where in ``rows`` the rows whose last risk set this is begin
    late : rows that enter after the first risk set of their stratum, ordered by ``first``
    late_sets, late_offsets : the risk sets before which some row enters, and their offsets
    deaths : (E,) positions in ``rows`` that end with an event, ordered by risk set
    death_sets : (E,) their risk sets
    death_offsets : (S,) where in ``deaths`` each risk set begins
    death_rank : (E,) 0, 1, ... among the deaths tied at one time
    death_counts : (S,) number of tied deaths
    times, strata : (S,) event time and stratum code of each risk set
    stratum_slices : the risk sets of each stratum that has events
    row_slices : the same strata as ranges of ``rows``
    """

    rows: Integers
    first: Integers
    last: Integers
    leave_offsets: Integers
    late: Integers
    late_sets: Integers
    late_offsets: Integers
    deaths: Integers
    death_sets: Integers
    death_offsets: Integers
    death_rank: Integers
    death_counts: Integers
    times: Floats
    strata: Integers
    stratum_slices: tuple[slice, ...]
    row_slices: tuple[slice, ...]

    @property
    def tied(self) -> bool:
        """Whether any two events share stratum and time."""
        return self.deaths.size > self.times.size

    def sum_at_risk(self, values: Floats) -> Floats:
        """Sum ``values`` (m, k) over each risk set; returns (S, k)."""
        sums = np.add.reduceat(values, self.leave_offsets, axis=0)
        if self.late.size:
            not_yet = np.add.reduceat(values[self.late], self.late_offsets, axis=0)
            sums[self.late_sets] -= not_yet
        for part in self.stratum_slices:
            sums[part] = np.cumsum(sums[part][::-1], axis=0)[::-1]
        return sums

    def sum_of_deaths(self, values: Floats) -> Floats:
        """Sum ``values`` (E, ...), given per death, over the deaths of each risk set."""
        return np.add.reduceat(values, self.death_offsets, axis=0) if self.tied else values

    def sum_while_at_risk(self, values: Floats) -> Floats:
        """Sum ``values`` (S, ...) over the risk sets that each row belongs to; returns (m, ...)."""
        through = np.empty_like(values)
        for part in self.stratum_slices:
            through[part] = np.cumsum(values[part], axis=0)
        total = through[self.last]
        if self.late.size:
            before = through - values
            total[self.late] -= before[self.first[self.late]]
        return total


def build_risk_sets(
    start: Floats | None, stop: Floats, event: Booleans, strata: Integers | None
) -> RiskSets:
    """Index the risk sets of checked data; rows that are in no risk set are left out.

    Parameters
    ----------
    start, stop, event : (n,) from :func:`analysis.survival.checks.follow_up`
    strata : (n,) stratum codes from 0, or None for a single stratum
    """
    codes = np.zeros(stop.size, dtype=np.intp) if strata is None else strata
    death_rows = np.flatnonzero(event)
    death_rows = death_rows[np.lexsort((stop[death_rows], codes[death_rows]))]
    death_time, death_stratum = stop[death_rows], codes[death_rows]
    new = np.ones(death_rows.size, dtype=bool)
    new[1:] = (death_time[1:] != death_time[:-1]) | (death_stratum[1:] != death_stratum[:-1])
    offsets = np.flatnonzero(new)
    times, set_strata = death_time[offsets], death_stratum[offsets]
    begin, end = _stratum_bounds(set_strata, int(codes.max()) + 1)

    last = _risk_sets_up_to(stop, codes, times, begin, end) - 1
    first = begin[codes] if start is None else _risk_sets_up_to(start, codes, times, begin, end)
    rows = np.flatnonzero(first <= last)
    rows = rows[np.argsort(last[rows], kind="stable")]
    first, last = first[rows], last[rows]

    leave_offsets = np.searchsorted(last, np.arange(times.size))
    late = late_sets = late_offsets = np.zeros(0, dtype=np.intp)
    if start is not None:
        late = np.flatnonzero(first > begin[codes[rows]])
        late = late[np.argsort(first[late], kind="stable")]
        late_sets, late_offsets = np.unique(first[late] - 1, return_index=True)
    position = np.empty(stop.size, dtype=np.intp)
    position[rows] = np.arange(rows.size)
    death_sets = np.cumsum(new) - 1
    with_events = np.flatnonzero(end > begin)
    row_bounds = np.searchsorted(last, begin[with_events]), np.searchsorted(last, end[with_events])
    return RiskSets(
        rows=rows,
        first=first,
        last=last,
        leave_offsets=leave_offsets,
        late=late,
        late_sets=late_sets,
        late_offsets=late_offsets,
        deaths=position[death_rows],
        death_sets=death_sets,
        death_offsets=offsets,
        death_rank=np.arange(death_rows.size) - offsets[death_sets],
        death_counts=np.diff(np.append(offsets, death_rows.size)),
        times=times,
        strata=set_strata,
        stratum_slices=tuple(slice(int(begin[k]), int(end[k])) for k in with_events),
        row_slices=tuple(slice(int(a), int(b)) for a, b in zip(*row_bounds, strict=True)),
    )


def _stratum_bounds(set_strata: Integers, n_strata: int) -> tuple[Integers, Integers]:
    codes = np.arange(n_strata)
    begin = np.searchsorted(set_strata, codes, side="left")
    return begin, np.searchsorted(set_strata, codes, side="right")


def _risk_sets_up_to(
    moment: Floats, codes: Integers, times: Floats, begin: Integers, end: Integers
) -> Integers:
    """Return, per row, the index after the last risk set of its stratum with time <= moment."""
    if begin.size == 1:
        return np.searchsorted(times, moment, side="right")
    # One search over (stratum, rank of time) pairs instead of one search per stratum.
    distinct = np.unique(times)
    n_ranks = distinct.size + 1
    keys = np.repeat(np.arange(begin.size), end - begin) * n_ranks + np.searchsorted(
        distinct, times
    )
    rank = np.searchsorted(distinct, moment, side="right") - 1
    return np.searchsorted(keys, codes * n_ranks + rank, side="right").astype(np.intp)
