"""Numbers at risk and events so far, at the times of the plan, by group."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pandas as pd

from analysis.disclosure.people import ALL, LANDMARK, plan_groups, words_of
from analysis.disclosure.tally import Tally
from analysis.estimates import rows_of

CURVE = "cumulative_incidence_curve"
INCIDENCES = ("cumulative_incidence", "cumulative_incidence_others_censored")


def shown_days(plan: dict[str, Any]) -> list[float]:
    """Return the days at which the shareable edition shows a curve: the start, the plan's times."""
    return [0.0, *sorted(map(float, plan["cumulative_incidence"]["times_days"]))]


def _total(group: str) -> str:
    return LANDMARK if group == ALL else f"plan_group/{group}"


def _add_counts(tally: Tally, estimates: pd.DataFrame, days: list[float]) -> None:
    at_risk = rows_of(estimates, CURVE, "number_at_risk")
    for row in at_risk.loc[at_risk["time_days"].isin(days)].to_dict("records"):
        name = f"at_risk/{words_of(row)[1][0]}/{row['time_days']:g}"
        tally.add(name, row["estimate"], (row["number_id"], "estimate"))
    for analysis in INCIDENCES:
        for row in rows_of(estimates, analysis, "cumulative_incidence").to_dict("records"):
            name = f"by_day/{row['outcome']}/{words_of(row)[1][0]}/{row['time_days']:g}"
            if tally.counts.get(name, row["n_events"]) == row["n_events"]:
                tally.add(name, row["n_events"], (row["number_id"], "n_events"))


def _add_intervals(tally: Tally, group: str, causes: list[str], days: list[float]) -> None:
    """Say what happens between two shown days: printed nowhere, but the difference of both."""
    for first, last in pairwise(days):
        leaving = f"leaving/{group}/{last:g}"
        before, after = (f"at_risk/{group}/{day:g}" for day in (first, last))
        if before not in tally.counts or after not in tally.counts:
            continue
        injured = []
        for cause in causes:
            total, earlier = (f"by_day/{cause}/{group}/{day:g}" for day in (last, first))
            if total not in tally.counts:
                continue
            if earlier not in tally.counts:
                tally.counts[earlier] = 0
                tally.unprinted.add(earlier)
            name = f"injured/{cause}/{group}/{last:g}"
            tally.counts[name] = tally.counts[total] - tally.counts[earlier]
            tally.unprinted.add(name)
            tally.adds_up(total, [earlier, name])
            injured.append(name)
        tally.counts[leaving] = tally.counts[before] - tally.counts[after]
        tally.unprinted.add(leaving)
        tally.adds_up(before, [after, leaving])
        # Ends on a shown day itself count as injured by that day, but as leaving after it.
        tally.with_rest(leaving, *injured)


def follow_up_tally(estimates: pd.DataFrame, people: Tally, plan: dict[str, Any]) -> Tally:
    """Return numbers at risk and events by day, tied to the athletes and events of the study."""
    tally = Tally()
    days = shown_days(plan)
    groups = plan_groups(estimates)
    causes = [name for name in plan["outcomes"] if plan["outcomes"][name]["events"] == [name]]
    _add_counts(tally, estimates, days)
    for group in [ALL, *groups]:
        if _total(group) in people.counts:
            tally.add(_total(group), people.counts[_total(group)])
            tally.adds_up(_total(group), [f"at_risk/{group}/0"])
        _add_intervals(tally, group, causes, days)
        for cause in causes:
            name = f"events/{cause}/{group}"
            if name in people.counts:
                tally.add(name, people.counts[name])
                tally.with_rest(name, f"by_day/{cause}/{group}/{days[-1]:g}")
    for day in days:
        starts = ["at_risk", *(f"by_day/{cause}" for cause in causes)]
        for start in starts:
            parts = [f"{start}/{group}/{day:g}" for group in groups]
            tally.adds_up(f"{start}/all/{day:g}", parts)
    return tally
